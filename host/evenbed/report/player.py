"""The first part of the report: for the player. Pure."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from html import escape

from evenbed.job import marks
from evenbed.racquet.model import Kind
from evenbed.report import words
from evenbed.report.figures import StringFigure
from evenbed.report.kept import Kept, pulled_share, shapes, tones

DUE = ("next due", "next_due", "due")  # what a racquet file may call it
NAME = ("name", "label", "for")
KINDS: tuple[tuple[Kind, str], ...] = (("main", "mains"), ("cross", "crosses"))
SHOWN = 0.01  # of the reference: own references farther off are named


def said(kept: Kept, keys: Sequence[str]) -> str:
    """What the racquet file says for the player under one of these keys."""
    player = kept.state.plan.racquet.player
    return next((player[k] for k in keys if player.get(k)), "")


def part(kept: Kept, unit: str) -> str:
    """The part for the player as HTML."""
    r = kept.state.plan.racquet
    facts = [(k, v) for k, v in r.player.items() if k not in DUE]
    return "".join(
        [
            _notice(kept),
            words.section("For the player", words.facts([*facts, *_more(kept)])),
            words.section("Strings", _strings(kept, unit), _plain(kept, unit)),
            words.section("Label", _label(kept, unit), kind="whole") if kept.state.phase == marks.FINISHED else "",
        ]
    )


def _notice(kept: Kept) -> str:
    phase, out = kept.state.phase, ""
    if kept.row.simulated:
        out += words.paragraph("Simulated: no string was pulled. The figures are those of a simulated rig.", "notice")
    if phase == marks.GIVEN_UP:
        out += words.paragraph(
            f"This racquet was {kept.progress}. Its strings were cut; there is nothing to play with.", "notice"
        )
    elif phase != marks.FINISHED:
        out += words.paragraph(f"This job is {kept.progress}. All figures are of what is there so far.", "notice")
    return out


def _more(kept: Kept) -> list[tuple[str, str]]:
    before, after, change = shapes(kept)
    out = []
    if change is not None:
        longer, wider = (words.figure(mm, 1, True) for mm in change)
        out.append(("hoop", f"length {longer} mm, width {wider} mm by the stringing"))
    elif before or after:
        out.append(("hoop", f"before {before or 'not measured'}, after {after or 'not measured'}"))
    taken = tones(kept)
    if taken:
        out.append(("tone", "; ".join(f"{t.hz:.0f} Hz {t.when}" for t in taken)))
    if kept.state.phase != marks.GIVEN_UP:
        out.append(("next due", said(kept, DUE) or "………………………………"))
    return out


def _of(kept: Kept, kind: Kind) -> list[StringFigure]:
    return [f for f in kept.figures if f.name.kind == kind]


def reference_n(f: StringFigure) -> float:
    """What a string was asked for, N, without what was added before a knot."""
    return f.done.pull.reference_n if f.done is not None else f.asked_n


def usual_n(figures: Sequence[StringFigure]) -> float | None:
    """What most strings of a kind were asked for, N; None without any."""
    asked = [round(reference_n(f), 3) for f in figures]
    return statistics.mode(asked) if asked else None


def kept_n(figures: Sequence[StringFigure]) -> tuple[float, float] | None:
    """Mean of what is delivered and its standard uncertainty, N; None where nothing is forecast."""
    found = [f.delivered for f in figures if f.delivered is not None and f.done is not None]
    if not found:
        return None
    return statistics.fmean(e.mean_n for e in found), statistics.fmean(e.u_n for e in found)


def _strings(kept: Kept, unit: str) -> str:
    r = kept.state.plan.racquet
    rows = []
    for kind, name in KINDS:
        figures = _of(kept, kind)
        asked = usual_n(figures)
        if asked is None:
            continue
        piece = r.pieces[r.piece_of(figures[0].name)]
        own = [f for f in figures if abs(reference_n(f) / asked - 1.0) > SHOWN]
        done = [f.done for f in figures if f.done is not None]
        share, stays = pulled_share(done), kept_n(figures)
        rows.append(
            (
                name,
                words.string(piece),
                words.prepared(piece) or "–",
                words.force(asked, unit) + (f" ({len(own)} with their own)" if own else ""),
                "–" if share is None else f"{words.figure(100 * share[0], 2, True)} % ± {100 * share[1]:.2f} %",
                "–" if stays is None else words.within(*stays, unit),
            )
        )
    return words.table(
        ("", "string", "prepared", "asked", "at the clamp, off by", "delivered"), rows, (4, 5), keep=(0, 1, 3)
    )


def _plain(kept: Kept, unit: str) -> str:
    stays = [
        (n, f)
        for n, k in (("mains", "main"), ("crosses", "cross"))
        if (f := kept_n(_of(kept, "main" if k == "main" else "cross")))
    ]
    if not stays:
        return ""
    both = " and ".join(f"{words.within(*f, unit)} on the {n}" for n, f in stays)
    text = (
        "Asked is what the head was to hold. Delivered is what is expected on the strings a quarter of an hour after the "
        f"last knot, after friction, clamps, the give of the frame and relaxation: {both} (one standard deviation)."
    )
    return words.paragraph(text, "small")


def _label(kept: Kept, unit: str) -> str:
    r = kept.state.plan.racquet
    lines = [f"{words.day(kept.row.wall)} · job {kept.row.number}" + " · simulated" * kept.row.simulated]
    refs = []
    for kind, sign in KINDS:
        figures = _of(kept, kind)
        asked = usual_n(figures)
        if asked is not None:
            piece = r.pieces[r.piece_of(figures[0].name)]
            least, most = (pick(reference_n(f) for f in figures) for pick in (min, max))
            span = words.force(asked, unit)
            if most - least > SHOWN * asked:
                span = f"{words.force(least, unit)} to {words.force(most, unit)}"
            refs.append(f"{sign} {span} · {words.string(piece)}")
    lines += refs
    taken = tones(kept)
    if taken:
        lines.append(f"{taken[0].hz:.0f} Hz {taken[0].when}")
    lines.append(f"next due {said(kept, DUE) or '……………'}")
    name = said(kept, NAME)
    body = "".join(f"<div>{escape(line)}</div>" for line in lines)
    title = escape(r.name) + (f" <span>{escape(name)}</span>" if name else "")
    return f'<div class="label"><div class="title">{title}</div>{body}</div><p class="small">Cut along the line.</p>'
