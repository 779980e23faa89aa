"""``evenbed certificate``: what a calibration is worth, in plain language first; one page of HTML that prints on A4."""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from html import escape
from pathlib import Path

from evenbed.calibration.budget import two_digits
from evenbed.calibration.document import Document, DocumentError
from evenbed.calibration.figures import ISO7500, iso7500_class, lower_limit
from evenbed.calibration.steps import Step, zero_corrected
from evenbed.calibration.uncertainty import REFUSE_ABOVE, WARN_ABOVE, show
from evenbed.record.calibrations import Calibrations, Kept
from evenbed.record.store import Store, StoreError, folder
from evenbed.units import N_PER_KGF, show_force

PULL_N = 24.0 * N_PER_KGF  # an ordinary pull (common practice, no source)
SHOWN_N = (50.0, 100.0, 200.0, 250.0)
DUE = "after 12 months or 500 pulls, whichever comes first, and after any blow or overload (common practice, no source)"
TERMS_SHOWN = 8


@dataclass(frozen=True)
class Row:
    """One step: series and number from 1, what was typed, its force and zero-corrected counts (None for a zero), the
    force by the curve."""

    run: int
    number: int
    text: str
    step: Step
    counts: float | None
    curve_n: float | None


def rows(doc: Document) -> list[Row]:
    """All steps in the order they were taken, with the numbers they had then."""
    texts = iter([*doc.weights, *[""] * sum(len(run.steps) for run in doc.runs)])
    found = []
    for r, run in enumerate(doc.runs, 1):
        counts = {id(step): value for step, value in zero_corrected(run)}
        for n, step in enumerate(run.steps, 1):
            value = counts.get(id(step))
            found.append(Row(r, n, next(texts), step, value, None if value is None else doc.calibration.force(value)))
    return found


def uncertainties(doc: Document) -> list[tuple[float, str]]:
    """U (k = 2) in words at the usual forces and the highest weight, lowest first."""
    found = []
    for force_n in sorted({*SHOWN_N, doc.calibration.top_n}):
        beyond = doc.extrapolation(force_n)
        if beyond == "refuse":
            text = f"not to be used: more than {REFUSE_ABOVE:g} times the highest weight"
        else:
            u = doc.uncertainty(force_n)
            text = f"± {two_digits(u.expanded_n)} N ({100.0 * u.expanded_n / force_n:.2f} %)"
            if u.method != "k = 2":
                text += f", k = {u.k:.2f} from trials: one bounded error outweighs the others"
            if beyond:
                text += f"; more than {WARN_ABOVE:g} times the highest weight"
        found.append((force_n, text))
    return found


def sensitivity(doc: Document) -> str:
    """Counts per newton with its expanded uncertainty."""
    gain, top_n = doc.gain_counts_n, doc.calibration.top_n
    u = gain * doc.uncertainty(top_n).expanded_n / top_n
    digits = len(two_digits(u).partition(".")[2])
    return f"{gain:.{digits}f} ± {two_digits(u)} counts/N (k = 2)"


def iso_words(doc: Document) -> tuple[str, list[str]]:
    """Class of ISO 7500-1, or why none; and what is left open."""
    verdict = iso7500_class(doc.calibration.figures)
    if verdict.iso_class is not None:
        hangs = f"; {verdict.limiting} keeps it from a better one" if verdict.limiting else ""
        return f"class {verdict.iso_class:g} of ISO 7500-1{hangs}", list(verdict.notes)
    if verdict.missing:
        return "no class of ISO 7500-1: it needs " + "; ".join(verdict.missing), []
    return f"worse than class {ISO7500[-1][0]:g} of ISO 7500-1: {verdict.limiting}", list(verdict.notes)


def limit_words(doc: Document) -> str:
    """Lower limit factor of ASTM E74, and what it says."""
    chosen = doc.calibration.chosen
    if chosen.fit.dof < 1:
        return "none: more steps than the curve has coefficients are needed"
    found = lower_limit(
        chosen.fit, [s.force_n for s, _ in chosen.points], [c for _, c in chosen.points], doc.conditions.resolution_counts
    )
    text = f"{two_digits(found.llf_n)} N; class A (400 times that) from {found.class_a_n:.1f} N up"
    if found.missing:
        text += ". By the practice's own rules it would need " + "; ".join(found.missing)
    return text


def plain_words(doc: Document, unit: str) -> list[str]:
    """What it means for who strings with it."""
    top_n, pull = doc.calibration.top_n, show_force(PULL_N, unit)
    beyond = doc.extrapolation(PULL_N)
    if beyond == "refuse":
        first = f"Nothing can be said of a pull of {pull}: the highest weight was {show_force(top_n, unit)}. Hang more."
    else:
        half = show(PULL_N, doc.uncertainty(PULL_N).expanded_n, unit).split(" ± ")[-1]
        first = f"When the rig shows {pull}, the true pull is within ± {half} of that, 95 times out of 100."
    more = f"That is well above the highest weight ({show_force(top_n, unit)}): hang more to be surer."
    return [
        first,
        *([more] if beyond == "warn" else []),
        f"It holds up to {show_force(WARN_ABOVE * top_n, unit)}. Above, the rig warns; above "
        f"{show_force(REFUSE_ABOVE * top_n, unit)} nothing is to be pulled with it.",
        "It speaks of the force at the gripper, not of what the string keeps once it is clamped.",
    ]


def summary(doc: Document, unit: str) -> list[str]:
    """The result in a terminal."""
    iso, open_ends = iso_words(doc)
    lines = [
        f"Sensitivity  {sensitivity(doc)}",
        f"Zero         {doc.zero_counts:.0f} counts",
        f"Curve        {doc.calibration.chosen.why}",
        f"Class        {iso}",
        f"Lower limit  {limit_words(doc)}",
        "Uncertainty of a reading (k = 2: 95 of 100 times the true force is within):",
        *(
            f"  {show_force(force_n, 'N'):>9}  {show_force(force_n, 'kgf'):>9}  {text}"
            for force_n, text in uncertainties(doc)
        ),
        *(f"Note: {note}." for note in (*doc.calibration.notes, *open_ends)),
        *plain_words(doc, unit),
    ]
    if doc.calibration.chosen.suspect:
        lines.insert(3, "! The curve does not fit: look for a weight or a step that went wrong, before using it.")
    return lines


# --- the page ----------------------------------------------------------------------------------------------------
STYLE = """
@page{size:A4;margin:10mm 12mm}
body{font:9pt/1.28 system-ui,sans-serif;color:#1b1b1b;max-width:186mm;margin:0 auto}
h1{font-size:15pt;margin:0 0 .5mm}h2{font-size:10pt;margin:3mm 0 1mm;border-bottom:.3mm solid #999}
.sub{color:#555;margin:0 0 2mm}.plain{border:.5mm solid #1d4f8c;border-radius:2mm;padding:1.5mm 3mm;margin:2mm 0}
.plain p{margin:.7mm 0}.plain p:first-child{font-size:12pt;font-weight:600}
.two{display:grid;grid-template-columns:1fr 1fr;gap:0 6mm}
table{border-collapse:collapse;width:100%;font-size:8pt}th,td{padding:.35mm 1mm;border-bottom:.2mm solid #ccc}
th{text-align:left;font-weight:600}.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
dl{display:grid;grid-template-columns:34mm 1fr;gap:.4mm 2mm;margin:0;font-size:8.5pt}dt{color:#555}dd{margin:0}
section{break-inside:avoid}svg{width:100%;height:auto}ul{margin:0;padding-left:5mm;font-size:8.5pt}
"""


def page(kept: Kept, unit: str, in_use: bool) -> str:
    """The certificate as HTML."""
    doc, n = kept.document, kept.number
    iso, open_ends = iso_words(doc)
    notes = [*doc.calibration.notes, *open_ends, *([doc.remark] if doc.remark else [])]
    cell, place = doc.cell, doc.place
    facts = (
        ("made", f"{_day(doc.made)} by {doc.by}"),
        ("next due", f"{_due(doc.made)}; {DUE}"),
        ("state", "in use" if in_use else "kept, not in use"),
        ("sensitivity", sensitivity(doc)),
        ("zero", f"{doc.zero_counts:.0f} counts"),
        ("curve", doc.calibration.chosen.why),
        ("class", iso),
        ("E74 lower limit", limit_words(doc)),
        (
            "place",
            f"gravity {place.g_m_s2:.4f} ± {2 * place.u_g_m_s2:.4f} m/s² (k = 2), air {place.air_kg_m3:g} ± "
            f"{place.air_half_kg_m3:g} kg/m³",
        ),
        ("room", "not noted" if doc.room_c is None else f"{doc.room_c:g} °C"),
        (
            "cell",
            f"{show_force(cell.capacity_n, unit)} ({cell.capacity_n:.0f} N), rated {cell.rating_mv_v:.4g} mV/V, "
            f"{abs(cell.rated_counts_n):.1f} counts/N by its rating",
        ),
        (
            "valid for",
            f"{doc.conditions.temperature_k:g} K around the temperature of the calibration; pulls that last minutes, not "
            "hours; the cell mounted as it was",
        ),
    )
    budget_n = PULL_N if doc.extrapolation(PULL_N) != "refuse" else doc.calibration.top_n
    body = [
        f"<h1>Calibration no. {n}</h1>",
        '<p class="sub">Load cell and converter of a hobby-built tension head, calibrated against weights. Made by its '
        "user; no accredited laboratory stands behind it.</p>",
        '<div class="plain">' + "".join(f"<p>{escape(text)}</p>" for text in plain_words(doc, unit)) + "</div>",
        "<section><h2>What was found</h2>" + _list(facts) + "</section>",
        '<div class="two"><section><h2>Uncertainty of a reading (k = 2)</h2>',
        _table(
            ("force", "", "the true force is within"),
            ((show_force(f, "N"), show_force(f, "kgf"), text) for f, text in uncertainties(doc)),
            (0, 1),
        ),
        "</section><section><h2>How far the steps are from the curve</h2>" + residuals(doc) + "</section></div>",
        "<section><h2>Steps</h2>" + _steps(doc) + "</section>",
        f"<section><h2>Where the uncertainty at {show_force(budget_n, unit)} comes from</h2>",
        _budget(doc, budget_n),
        "</section>",
    ]
    if notes:
        body.append(f"<section><h2>Notes</h2><ul>{''.join(f'<li>{escape(note)}</li>' for note in notes)}</ul></section>")
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Calibration {n}</title>'
        f"<style>{STYLE}</style></head>\n<body>\n" + "\n".join(body) + "\n</body></html>\n"
    )


def _list(pairs: Iterable[tuple[str, str]]) -> str:
    return "<dl>" + "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in pairs) + "</dl>"


def _table(head: Sequence[str], body: Iterable[Sequence[str]], numbers: Sequence[int]) -> str:
    def cells(tag: str, row: Sequence[str]) -> str:
        mark = [' class="n"' if i in numbers else "" for i in range(len(row))]
        return "<tr>" + "".join(f"<{tag}{m}>{escape(c)}</{tag}>" for c, m in zip(row, mark, strict=True)) + "</tr>"

    return f"<table>{cells('th', head)}{''.join(cells('td', row) for row in body)}</table>"


def _steps(doc: Document) -> str:
    def line(row: Row) -> tuple[str, ...]:
        step = row.step
        where = f"{row.run}.{row.number}"
        if row.counts is None or row.curve_n is None:
            return (where, "zero", "", f"{step.mean_counts:.0f}", "", "", "", f"{step.sd_counts:.0f}")
        off_n = row.curve_n - step.force_n
        way = "up" if step.direction == "up" else "down"
        return (
            where,
            row.text,
            way,
            f"{row.counts:.1f}",
            f"{step.force_n:.3f}",
            f"{off_n:+.3f}",
            f"{100 * off_n / step.force_n:+.3f}",
            f"{step.sd_counts:.0f}",
        )

    head = ("step", "weights", "", "counts over zero", "force, N", "curve less force, N", "%", "noise, counts")
    return _table(head, map(line, rows(doc)), (3, 4, 5, 6, 7))


def _budget(doc: Document, force_n: float) -> str:
    *terms, together = doc.budget(force_n).table()
    kept = [(row[0], row[1], row[2], row[4], row[6]) for row in terms if float(row[6]) >= 0.05][:TERMS_SHOWN]
    last = [(f"together, {together[2]}", together[1], together[5], together[4], together[6])]
    bent_n = doc.bent_n(force_n)
    if bent_n > 0.0005:
        last.append(("straight line on the board, added to U in full", f"{bent_n:.3g} N", "known", "", ""))
    return _table(("source", "size", "distribution", "u, N", "share, %"), [*kept, *last], (1, 3, 4))


def residuals(doc: Document) -> str:
    """Picture of the curve's misses: filled for loading, open for unloading, N over N."""
    found = [(r.step, r.curve_n - r.step.force_n) for r in rows(doc) if r.curve_n is not None]
    top_n = max(step.force_n for step, _ in found)
    span = max(max(abs(off) for _, off in found), 1e-3) * 1.15
    width, height, left, right, up, low = 440.0, 190.0, 66.0, 8.0, 10.0, 34.0

    def x(force_n: float) -> float:
        return left + (width - left - right) * force_n / (1.05 * top_n)

    def y(off_n: float) -> float:
        return up + (height - up - low) * 0.5 * (1.0 - off_n / span)

    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" role="img" '
        'aria-label="residuals over force" font-family="sans-serif" font-size="11">'
    ]
    for off_n in (-span, 0.0, span):
        colour = "#888" if off_n == 0.0 else "#ddd"
        out.append(f'<path d="M{left:g} {y(off_n):.1f}H{width - right:g}" stroke="{colour}"/>')
        shown = f"{off_n:+.3f} N" if off_n else "0"
        out.append(f'<text x="{left - 6:g}" y="{y(off_n) + 4:.1f}" text-anchor="end">{shown}</text>')
    for force_n in sorted({step.force_n for step, _ in found}):
        out.append(f'<path d="M{x(force_n):.1f} {up:g}V{height - low:g}" stroke="#eee"/>')
    last = -1e9
    for force_n in sorted({0.0, *(step.force_n for step, _ in found)}):
        if x(force_n) - last > 42.0:
            last = x(force_n)
            out.append(f'<text x="{last:.1f}" y="{height - low + 16:g}" text-anchor="middle">{force_n:.0f} N</text>')
    for step, off_n in found:
        fill = "#1d4f8c" if step.direction == "up" else "#fff"
        out.append(f'<circle cx="{x(step.force_n):.1f}" cy="{y(off_n):.1f}" r="4" fill="{fill}" stroke="#1d4f8c"/>')
    out.append(
        f'<text x="{width - right:g}" y="{height - 3:g}" text-anchor="end">filled: loading, open: unloading</text></svg>'
    )
    return "".join(out)


def table_csv(doc: Document) -> str:
    """The steps as a table."""
    out = io.StringIO()
    write = csv.writer(out)
    write.writerow(
        (
            "series",
            "step",
            "weights",
            "direction",
            "force_n",
            "mean_counts",
            "counts_over_zero",
            "curve_n",
            "sd_counts",
            "n",
        )
    )
    for r in rows(doc):
        s = r.step
        row = (r.run, r.number, r.text, s.direction, s.force_n, s.mean_counts, r.counts, r.curve_n, s.sd_counts, s.n)
        write.writerow(row)
    return out.getvalue()


def _day(made: str) -> str:
    try:
        return datetime.fromisoformat(made).strftime("%Y-%m-%d %H:%M")
    except ValueError:
        return made


def _due(made: str) -> str:
    try:
        day = datetime.fromisoformat(made)
    except ValueError:
        return "12 months later"
    try:
        return day.replace(year=day.year + 1).strftime("%Y-%m-%d")
    except ValueError:  # 29 February
        return day.replace(year=day.year + 1, month=3, day=1).strftime("%Y-%m-%d")


# --- the command ---------------------------------------------------------------------------------------------------
def run(
    number: int | None, out: Path | None, csv_file: Path | None, json_file: Path | None, records: Path | None, unit: str
) -> int:
    """Write certificate ``number`` (the one in use, or the latest); returns the exit code."""
    try:
        store = Store(folder(records), make=False)
    except FileNotFoundError:
        print("No calibration is kept here yet: 'evenbed calibrate' makes one.", file=sys.stderr)
        return 1
    except StoreError as e:
        print(str(e), file=sys.stderr)
        return 1
    try:
        return _write(Calibrations(store), number, out, csv_file, json_file, unit)
    except (StoreError, DocumentError) as e:
        print(str(e), file=sys.stderr)
        return 1
    except OSError as e:
        print(f"{e.filename} cannot be written ({e.strerror}). Choose another file.", file=sys.stderr)
        return 1
    finally:
        store.close()


def _write(
    calibrations: Calibrations,
    number: int | None,
    out: Path | None,
    csv_file: Path | None,
    json_file: Path | None,
    unit: str,
) -> int:
    used = calibrations.in_use()
    if number is None:
        every = calibrations.all()
        kept = used or (every[-1] if every else None)
    else:
        kept = calibrations.get(number)
    if kept is None:
        print(
            "No calibration is kept here yet: 'evenbed calibrate' makes one."
            if number is None
            else f"There is no calibration {number}: 'evenbed calibrations' lists them.",
            file=sys.stderr,
        )
        return 2 if number is not None else 1
    remark = f" ({kept.document.remark})" if kept.document.remark else ""
    print(f"Calibration {kept.number}, {_day(kept.document.made)} by {kept.document.by}{remark}")
    print("\n".join(summary(kept.document, unit)))
    if csv_file is not None:
        csv_file.write_text(table_csv(kept.document), encoding="utf-8", newline="")
        print(f"Steps: {csv_file}")
    if json_file is not None:
        json_file.write_text(json.dumps(kept.document.plain(), indent=1) + "\n", encoding="utf-8")
        print(f"All of it: {json_file}")
    if out is None and csv_file is None and json_file is None:
        out = Path(f"calibration-{kept.number}.html")
    if out is not None:
        out.write_text(page(kept, unit, used is not None and used.number == kept.number), encoding="utf-8")
        print(f"Certificate, to be printed: {out}")
    return 0
