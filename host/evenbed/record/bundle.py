"""A trip's bundle: one plain dictionary that holds all there is about a stop, sealed by a digest of its contents."""

from __future__ import annotations

import hashlib
import json
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from evenbed_fw import faults, wire

from evenbed.control.blackbox import FORMAT, Capture, lines_as_text
from evenbed.link.messages import Sample, Trip, message

Bundle = dict[str, Any]
LARGEST = 256_000_000  # bytes of JSON: ten minutes of lines are a tenth of it


class BundleError(ValueError):
    """What was read is no bundle of a trip, or not one that can be used; the text says why."""


def _text(bundle: Bundle) -> bytes:
    return json.dumps(bundle, separators=(",", ":"), sort_keys=True).encode()


def digest(bundle: Bundle) -> str:
    """SHA-256 of everything in the bundle but the seal itself."""
    return hashlib.sha256(_text({k: v for k, v in bundle.items() if k != "digest"})).hexdigest()


def assemble(header: dict[str, Any], lines: Sequence[Sequence[Any]], made: str) -> Bundle:
    """The bundle out of the control loop's header and lines; ``made`` is the time by the clock on the wall, ISO and UTC."""
    bundle: Bundle = {**header, "made": made, "lines": [list(line) for line in lines]}
    bundle["fault"] = fault_record(bundle)
    bundle["digest"] = digest(bundle)
    return bundle


def of_capture(capture: Capture, made: str, port: str = "") -> Bundle:
    """The bundle of a capture in this same process."""
    return assemble(_plain(capture.header(port)), lines_as_text(capture.lines), made)


def _plain(header: dict[str, Any]) -> dict[str, Any]:
    """As it would come through JSON: tuples as lists."""
    plain: dict[str, Any] = json.loads(json.dumps(header))
    return plain


def pack(bundle: Bundle) -> bytes:
    """The bundle as compressed bytes."""
    return zlib.compress(_text(bundle), 6)


def unpack(data: bytes) -> Bundle:
    """The bundle out of compressed bytes (zlib or gzip). Raises BundleError."""
    try:
        reader = zlib.decompressobj(zlib.MAX_WBITS | 32)
        text = reader.decompress(data, LARGEST)
        if reader.unconsumed_tail:
            raise BundleError("this is larger than any trip")
        return checked(json.loads(text))
    except (zlib.error, ValueError) as e:
        raise e if isinstance(e, BundleError) else BundleError("this is not a trip's bundle, or it is damaged") from None


def read(path: Path) -> Bundle:
    """The bundle in a file: JSON as exported, or compressed. Raises BundleError, OSError."""
    data = path.read_bytes()
    if data.lstrip()[:1] != b"{":
        return unpack(data)
    try:
        return checked(json.loads(data))
    except ValueError as e:
        raise e if isinstance(e, BundleError) else BundleError("this is not a trip's bundle, or it is damaged") from None


def checked(bundle: Any) -> Bundle:
    """The same, if it is a bundle of this format. Raises BundleError."""
    form = bundle.get("format") if isinstance(bundle, dict) else None
    if form != FORMAT:
        known = isinstance(form, str) and form.startswith("evenbed trip")
        raise BundleError(
            f"this bundle is of the format {form!r}, this program knows {FORMAT!r}: update the program"
            if known
            else "this is not a trip's bundle"
        )
    return dict(bundle)


def intact(bundle: Bundle) -> bool:
    """Are the contents those that were sealed?"""
    return bundle.get("digest") == digest({k: v for k, v in bundle.items() if k != "samples"})


def samples(bundle: Bundle) -> list[tuple[float, Sample]]:
    """The board's readings, decoded: arrival (s of the host) and the line. Broken lines are left out."""
    out = []
    for t_s, way, text in bundle["lines"]:
        if way == "<":
            try:
                said = message(text.encode("latin-1"))
            except wire.WireError:
                continue
            if isinstance(said, Sample):
                out.append((t_s, said))
    return out


def sample_rows(bundle: Bundle) -> list[dict[str, float | int]]:
    """The readings in units: force from the reference zero in N, position in mm, speed in mm/s, time in s of the host."""
    limits = bundle["limits"]
    if limits is None:
        return []
    per_n, steps = limits["gain_mcounts_n"] / 1000.0, limits["steps_mm"]
    return [
        {
            "t_s": round(t_s, 6),
            "board_us": s.board_us,
            "force_n": round((s.raw_counts - limits["zero_counts"]) / per_n, 4),
            "position_mm": round(s.position_steps / steps, 4),
            "speed_mm_s": round(s.rate_steps_s / steps, 3),
            "board_state": s.state,
            "fault": s.fault,
            "flags": s.flags,
        }
        for t_s, s in samples(bundle)
    ]


def fault_record(bundle: Bundle) -> dict[str, Any] | None:
    """The board's latched record as it last sent it: first cause, later ones by name, values in units. None without."""
    found = None
    for _, way, text in bundle["lines"]:
        if way == "<" and text.startswith("trip "):
            try:
                said = message(text.encode("latin-1"))
            except wire.WireError:
                continue
            if isinstance(said, Trip) and said.fault:
                found = said
    limits = bundle["limits"]
    if found is None or limits is None:
        return None
    per_n, steps = limits["gain_mcounts_n"] / 1000.0, limits["steps_mm"]
    return {
        "fault": found.fault,
        "name": _name(found.fault),
        "later": [_name(n) for n in range(1, 30) if found.later >> n & 1],
        "board_us": found.board_us,
        "force_n": (found.raw_counts - limits["zero_counts"]) / per_n,
        "bound_n": (found.bound_counts - limits["zero_counts"]) / per_n,
        "position_mm": found.position_steps / steps,
        "speed_mm_s": found.rate_steps_s / steps,
    }


def _name(fault: int) -> str:
    return faults.NAMES[fault] if 0 <= fault < len(faults.NAMES) else f"fault {fault}"


def states(bundle: Bundle) -> list[tuple[float, str]]:
    """The head's states as they were entered, with their times."""
    return [(t_s, says) for t_s, name, says, *_ in bundle["events"] if name == "state"]
