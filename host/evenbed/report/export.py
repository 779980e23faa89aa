"""A job as CSV (a line for each pull) and as JSON (everything: it can be read back into the very marks). Pure."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from evenbed.job.marks import Mark
from evenbed.job.tone import held_s
from evenbed.record.jobs import JobRow
from evenbed.report.kept import Kept, happened

FORMAT, VERSION = "evenbed job", 1
NOT_FINITE = "not finite"  # JSON has no infinity: {"not finite": "inf"} stands for it
RECORD = (
    "draw_length_mm", "stiffness_n_mm", "delay_s", "take_up_mm", "creep_n_s", "loss_now_n", "proof", "proof_ratio",
    "peak_n", "proof_peak_n", "least_margin_n", "ceiling_n", "calibration", "expanded_n", "contact_s", "reached_s",
    "steady_s", "clamped_s", "done_s", "limited", "ended",
)  # fmt: skip
COLUMNS = (
    "number", "pull", "strings", "piece", "family", "again", "at", "asked_n", "at_clamp_n", "held_s", "friction",
    *RECORD, "delivered_n", "u_delivered_n", "asked", "answered", "trace_s_n",
)  # fmt: skip


class ExportError(ValueError):
    """A file that is no export of a job; the text says why."""


def pulls(kept: Kept) -> list[dict[str, Any]]:
    """All pulls ever made in the job, in order, those made a second time too; N, mm, s. ``asked`` and ``answered``: what
    was asked about a pull after it was made."""
    planned = {p.number: p for p in kept.state.plan.pulls}
    asked: dict[str, tuple[list[str], list[str]]] = {}
    for h in happened(kept):
        if h.answer:
            said = asked.setdefault(h.label, ([], []))
            said[0].append(h.what)
            said[1].append(h.answer)
    latest = {d.pull.number: d for d in kept.state.done}
    out = []
    for m in (m for m in kept.marks if m.kind == "pulled"):
        number, record = int(m.values["number"]), dict(m.values["record"])
        p = planned.get(number)
        d = latest.get(number)
        last = d is not None and d.at == m.at and d.record == record
        left = kept.left.get(p.name) if p is not None and last else None
        said = asked.get(p.label if p is not None else "", ([], [])) if last else ([], [])
        row: dict[str, Any] = {
            "number": number,
            "pull": m.values.get("label", ""),
            "strings": " + ".join(str(n) for n in (p.name, *p.also)) if p is not None else "",
            "piece": p.piece if p is not None else None,
            "family": p.family if p is not None else "",
            "again": m.values.get("label", "") != (p.label if p is not None else ""),
            "at": m.at,
            "asked_n": record.get("reference_n"),
            "at_clamp_n": record.get("force_at_clamp_n"),
            "held_s": held_s(record),
            "friction": m.values.get("friction"),
            **{key: record.get(key) for key in RECORD},
            "delivered_n": left.mean_n if left is not None else None,
            "u_delivered_n": left.u_n if left is not None else None,
            "asked": " / ".join(said[0]),
            "answered": " / ".join(said[1]),
            "trace_s_n": [[float(t), float(n)] for t, n in m.values.get("trace") or ()],
        }
        out.append(row)
    return out


def to_csv(kept: Kept) -> str:
    """A line for each pull; the trace as ``s:N`` pairs in the last column."""
    out = io.StringIO()
    write = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    write.writeheader()
    for row in pulls(kept):
        trace = " ".join(f"{t:g}:{n:g}" for t, n in row["trace_s_n"])
        write.writerow({**row, "trace_s_n": trace})
    return out.getvalue()


def to_json(row: JobRow, marks: Sequence[Mark], kept: Kept | None) -> str:
    """Everything that is needed to make the job again: racquet text, equipment, pulls, marks. Forces in N. ``kept`` None
    leaves out what is worked out from the plan (``pulls``), which is only there to be read."""
    document = {
        "format": FORMAT,
        "version": VERSION,
        "job": asdict(row),
        "marks": [{"kind": m.kind, "values": m.values, "at": m.at} for m in marks],
        "pulls": pulls(kept) if kept is not None else None,
    }
    return json.dumps(_tagged(document), indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def from_json(text: str) -> tuple[JobRow, list[Mark]]:
    """What was exported. Raises ExportError."""
    try:
        document = _untagged(json.loads(text))
        if document["format"] != FORMAT:
            raise ExportError(f"this file says it is {document['format']!r}, not {FORMAT!r}.")
        if document["version"] > VERSION:
            raise ExportError(f"it was written by a newer evenbed (version {document['version']}, here {VERSION}).")
        job = document["job"]
        row = JobRow(**{**job, "labels": tuple(job["labels"])})
        return row, [Mark(m["kind"], m["values"], m["at"]) for m in document["marks"]]
    except (ValueError, KeyError, TypeError) as e:
        if isinstance(e, ExportError):
            raise
        raise ExportError(f"it is no export of a job ({e!r}).") from None


def _tagged(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return {NOT_FINITE: str(value)}
    if isinstance(value, dict):
        return {k: _tagged(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_tagged(v) for v in value]
    return value


def _untagged(value: Any) -> Any:
    if isinstance(value, dict):
        if set(value) == {NOT_FINITE}:
            return float(value[NOT_FINITE])
        return {k: _untagged(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_untagged(v) for v in value]
    return value
