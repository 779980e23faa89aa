"""Record the small bundles that must still replay: ``python tests/record/record_bundles.py --write``.

They are recorded anew only when the head is meant to decide otherwise than it did, or with a new protocol.
"""

from __future__ import annotations

import gzip
import json
import sys
from pathlib import Path

from stopped_rigs import CONTACT, DRAW, EASE, HOLD, LOOK, Bundle, Case, stopped

FOLDER = Path(__file__).parent / "bundles"
KEPT = {
    "cell-off-in-the-look": Case("cell off", LOOK, "no_data"),
    "string-off-in-the-draw": Case("string off", DRAW, "string_lost"),
    "string-off-at-contact": Case("string off", CONTACT, "guard"),
    "emergency-stop-in-the-ease": Case("estop on", EASE, "emergency_stop"),
    "board-unplugged-in-the-hold": Case("to-host off for 0.6s", HOLD, "link_lost"),
}


def write(path: Path, bundle: Bundle) -> None:
    """The bundle as compressed JSON, the same bytes for the same bundle."""
    text = json.dumps(bundle, separators=(",", ":"), sort_keys=True).encode()
    path.write_bytes(gzip.compress(text, mtime=0))


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, case in KEPT.items():
        path = FOLDER / f"{name}.json.gz"
        if "--write" in sys.argv:
            write(path, stopped(case))
        print(path.name, path.stat().st_size if path.exists() else "is missing")
