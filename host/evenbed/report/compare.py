"""Two jobs of one racquet, string by string: the figures, and the page that shows them side by side. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from html import escape

from evenbed.job.marks import Done
from evenbed.job.tone import held_s
from evenbed.job.twin import compare, differs, find, summary
from evenbed.report import words
from evenbed.report.bed import BedPicture
from evenbed.report.kept import Kept
from evenbed.report.page import around

COLUMNS = ("at the clamp, {unit}", "draw, mm", "held, s", "take-up, mm", "friction, %")


class CompareError(ValueError):
    """Two jobs that cannot be compared; the text says why."""


def check(a: Kept, b: Kept) -> None:
    """Raise CompareError if these are not jobs of one racquet."""
    if why := differs(a.state.plan, b.state.plan):
        raise CompareError(f"Jobs {a.row.number} and {b.row.number} cannot be compared: {why}")


def figures(d: Done | None, unit: str) -> tuple[str, ...]:
    """One pull's figures, one for each of COLUMNS."""
    r = d.record if d is not None else {}
    rubs = d.friction if d is not None else None
    return (
        words.bare(r.get("force_at_clamp_n"), unit),
        words.figure(r.get("draw_length_mm")),
        words.figure(held_s(r)),
        words.figure(r.get("take_up_mm")),
        words.figure(None if rubs is None else 100.0 * rubs, 0),
    )


def pairs(a: Kept, b: Kept) -> Iterator[tuple[str, Done | None, Done | None]]:
    """All strings that were pulled in one of the two: name, pull of each."""
    for name in a.state.plan.racquet.names():
        x, y = find(a.state, name), find(b.state, name)
        if x is not None or y is not None:
            yield str(name), x, y


def page(a: Kept, b: Kept, unit: str, styles: str = "") -> str:
    """Both jobs side by side. Raises CompareError; ``styles`` as in ``around``."""
    check(a, b)
    one, other = a.row.number, b.row.number
    title = f"{a.state.plan.racquet.name}: jobs {one} and {other}"
    beds = "".join(f"<div>{_bed(k, unit)}</div>" for k in (a, b))
    head = ["", *(f"{c.format(unit=unit)} · job {n}" for c in COLUMNS for n in (one, other)), "unlike"]
    rows = []
    for name, x, y in pairs(a, b):
        both = zip(figures(x, unit), figures(y, unit), strict=True)
        unlike = "; ".join(d.says for d in compare(x, y, unit)) if x is not None and y is not None else "only in one"
        rows.append([name, *(figure for two in both for figure in two), unlike])
    numbers = range(1, len(head) - 1)
    body = (
        f"<h1>{escape(title)}</h1><main>{words.paragraph(summary(a.state, b.state, unit))}"
        + words.section("The beds", f'<div class="two">{beds}</div>', kind="whole")
        + words.section("String by string", words.table(head, rows, numbers, "dense"))
        + "</main>"
    )
    return around(title, body, styles)


def _bed(k: Kept, unit: str) -> str:
    says = f"Job {k.row.number}, {k.progress}, begun {words.clock(k.row.wall)[:16]}"
    picture = BedPicture(k.state.plan.racquet, k.figures, k.state.of, unit).svg()
    return f"<h3>{escape(says)}</h3>{picture}"
