"""The fault campaign: every fault in every phase of a pull, judged by the truth. See tests/benchmarks/README.md."""

import sys
from pathlib import Path

# The rig with a hand on its pedal is shared with tests/host, whose helpers are imported by plain name; the snagging string
# with tests.benchmarks.
for _folder in (Path(__file__).parents[1] / "host", Path(__file__).parents[2]):
    if str(_folder) not in sys.path:
        sys.path.append(str(_folder))
