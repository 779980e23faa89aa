"""The second part of the report: for the stringer. Pure."""

from __future__ import annotations

from collections import Counter
from html import escape
from typing import Literal

from evenbed.job import lists
from evenbed.job.lists import Item
from evenbed.job.tone import held_s, relaxing
from evenbed.report import plots, times, words
from evenbed.report.bed import BedPicture
from evenbed.report.figures import SAYS, Ledger, hold_times, ledger, outliers, sides, used
from evenbed.report.kept import Happened, Kept, happened, shapes, tones, verdict

PIECES = {"all": "all strings", "mains": "mains", "crosses": "crosses"}
LISTS: dict[str, tuple[Item, ...]] = {
    "intake": lists.INTAKE,
    "closing": lists.CLOSING,
    "giving up": lists.GIVING_UP,
    "broken string": lists.BROKEN,
}


def part(kept: Kept, unit: str) -> str:
    """The technical part as HTML."""
    return "".join(
        [
            _bed(kept, unit),
            _sides_and_ledger(kept, unit),
            _times(kept),
            _outliers(kept, unit),
            _happened(kept),
            _lists(kept),
            _string_used(kept),
            _measurement(kept, unit),
            _tones(kept),
            _table(kept, unit),
        ]
    )


def _bed(kept: Kept, unit: str) -> str:
    s = kept.state
    if s.plan.free or not s.plan.racquet.names():
        return ""
    picture = BedPicture(s.plan.racquet, kept.figures, s.of, unit).svg()
    text = "Seen with the butt towards you: head up, left is left. " + s.plan.notes.get("forecast", "")
    return words.section("The bed", picture, words.paragraph(text, "small"), kind="whole")


def _sides_and_ledger(kept: Kept, unit: str) -> str:
    pictures = []
    kinds: tuple[Literal["main", "cross"], ...] = ("main", "cross")
    ledgers = [found for k in kinds if (found := ledger(kept.state, kept.figures, k)) is not None]
    falls = [plots.waterfall(found, unit) for found in ledgers]
    if falls:
        pictures.append(f'<div class="two">{"".join(f"<div>{p}</div>" for p in falls)}</div>')
        pictures.append(words.items(_ledger_words(found, unit) for found in ledgers))
        pictures.append(words.paragraph(_losses(ledgers), "small"))
    out = words.section("Where the tension goes", *pictures, kind="whole")
    balance = plots.left_right(kept.figures)
    if balance:
        total = sides(kept.figures)
        left, right = total["left"], total["right"]
        apart = 2.0 * (left - right) / (left + right)
        text = (
            f"The mains on the left keep {words.force(left, unit)} together, those on the right "
            f"{words.force(right, unit)}: {abs(100 * apart):.1f} % apart. The band is ± {100 * plots.SIDE_BAND:.0f} %. "
            "What both sides share is no difference between them; a knot counts on its side."
        )
        out += words.section(
            "Left against right",
            f'<div class="two"><div>{balance}</div><div>{words.paragraph(text)}</div></div>',
            kind="whole",
        )
    return out


def _losses(ledgers: list[Ledger]) -> str:
    seen = {line.loss for found in ledgers for line in found.lines}
    names = [f"{plots.SHORT[loss]}: {says}" for loss, says in SAYS.items() if loss in seen]
    return "; ".join(names) + ". Each ± is one standard uncertainty; strings of one bed share most of it."


def _ledger_words(found: Ledger, unit: str) -> str:
    name = "Mains" if found.kind == "main" else "Crosses"
    share = 1.0 - found.delivered_n / found.asked_n
    text = (
        f"{name}: {100 * share:.0f} % less than asked, {words.within(found.delivered_n, found.u_delivered_n, unit)}; from "
        f"string to string {words.force(found.spread_n, unit)} (standard deviation)."
    )
    if found.seen_n is not None and found.u_seen_n is not None:
        text += (
            f" The creep seen at {found.pulls_seen} clamps alone would say "
            f"{words.within(found.seen_n, found.u_seen_n, unit)} of relaxation; what is usual for the string and "
            "what was seen are weighed by their uncertainties."
        )
    else:
        text += " Relaxation is what is usual for the string: too few pulls tell of their creep."
    return text


def _times(kept: Kept) -> str:
    woven = {p.number: p.woven for p in kept.state.plan.pulls}
    found = times.spans(kept.marks, woven)
    bars = plots.phases(times.phases(found))
    dots = plots.holds(hold_times(kept.state))
    total = sum(v for s in found for v in s.seconds.values() if v is not None)
    broken = sum(s.after_break for s in found)
    text = f"{len(found)} pulls, {times.show_time(total)} in all" if found else ""
    if broken:
        text += f"; {'a break' if broken == 1 else f'{broken} breaks'} left out"
    out = words.section(
        "Equal holding times",
        dots,
        words.paragraph(
            "Every string held alike matters more than long holding (common practice). Round: mains, square: crosses.",
            "small",
        )
        if dots
        else "",
        kind="whole",
    )
    return out + words.section("Time", bars, words.paragraph(text + ".", "small") if bars else "", kind="whole")


def _outliers(kept: Kept, unit: str) -> str:
    traces = kept.traces
    asked = {int(m.values["number"]) for m in kept.marks if m.kind == "questioned" and m.values.get("number") is not None}
    found = outliers(kept.state, traces, asked)
    panels = "".join(f"<div>{plots.trace(d, traces[d.pull.number], why, unit)}</div>" for d, why in found)
    return words.section("Pulls worth a look", f'<div class="two">{panels}</div>' if panels else "")


def _happened(kept: Kept) -> str:
    found = happened(kept)
    asked = [h for h in found if h.answer]
    title = "Asked, answered, and what else happened"
    if not found:
        return words.section(title, words.paragraph("Nothing was asked, and nothing else happened."))
    head = ("when", "pull", "what", "answer")

    def row(h: Happened) -> tuple[str, str, str, str]:
        return (words.clock(h.at)[11:], h.label, h.what, h.answer)

    count = f"{len(asked)} question{'' if len(asked) == 1 else 's'}."
    return words.section(title, words.table(head, map(row, found), keep=(0, 1)), words.paragraph(count, "small"))


def _lists(kept: Kept) -> str:
    out = []
    for phase, texts in LISTS.items():
        checked = [m for m in kept.marks if m.kind == "checked" and m.values.get("phase") == phase]
        if not checked:
            continue
        says = {i.key: i.text for i in texts}
        rows = []
        for m in checked:
            key = str(m.values.get("item", ""))
            sign = "✓ fine" if m.values.get("fine") else "✗ not fine"
            rows.append((sign, says.get(key, key), str(m.values.get("text", ""))))
        out.append(
            f"<h3>{escape(phase.capitalize())}</h3>" + words.table(("", "", "figure"), rows, kind="list", keep=(0, 2))
        )
    before, after, change = shapes(kept)
    if change is not None:
        longer, wider = (words.figure(mm, 1, True) for mm in change)
        text = f"Inside of the hoop {before} before and {after} after: {longer} mm long, {wider} mm wide."
        out.append(words.paragraph(text))
    out.append(words.items(f"Note: {n}" for n in kept.state.notes))
    return words.section("Lists and notes", *out)


def _string_used(kept: Kept) -> str:
    rows = []
    pieces = kept.state.plan.racquet.pieces
    for u in used(kept.state):
        parts = dict(u.parts)
        over = f"{u.over_mm / 1000.0:.2f}" if u.share > 0.999 else "–"
        rows.append(
            (
                PIECES[pieces[u.piece].part],
                words.string(pieces[u.piece]),
                *(f"{parts[k] / 1000.0:.2f}" for k in ("inside the frame", "between holes", "weaving", "tails", "margin")),
                f"{u.cut_mm / 1000.0:.2f}",
                f"{100.0 * u.share:.0f} %",
                f"{u.stretched_mm / 1000.0:.2f}",
                over,
            )
        )
    if not rows:
        return ""
    head = (
        "piece",
        "string",
        "inside",
        "between",
        "weave",
        "tails",
        "margin",
        "cut",
        "strung",
        "stretched out",
        "left over",
    )
    text = (
        "All lengths in m. Cut is the plan's; stretched out is what the draws have brought out of the bed; left over is "
        "the margin and that, apart from the tails. " + kept.state.plan.notes.get("budget", "")
    )
    return words.section(
        "String used against the plan", words.table(head, rows, range(2, 11), keep=(0, 1)), words.paragraph(text, "small")
    )


def _measurement(kept: Kept, unit: str) -> str:
    done = kept.state.done
    if not done:
        return ""
    lines = []
    groups = Counter(d.record.get("calibration") for d in done)
    for number, count in groups.items():
        us = [d.record["expanded_n"] for d in done if d.record.get("calibration") == number and d.record.get("expanded_n")]
        if number is None:
            lines.append(
                f"{count} pulls without a calibration: forces by the rating of the cell, their uncertainty unknown."
            )
        elif us:
            span = (
                words.bare(min(us), unit)
                if words.bare(min(us), unit) == words.bare(max(us), unit)
                else (f"{words.bare(min(us), unit)} to {words.bare(max(us), unit)}")
            )
            lines.append(f"{count} pulls with calibration {number}: U (k = 2) {span} {unit} at the reference.")
        else:
            lines.append(f"{count} pulls with calibration {number}; their uncertainty was not recorded.")
    margins = [(d.record["least_margin_n"], d.pull.label) for d in done if d.record.get("least_margin_n") is not None]
    if margins:
        least = min(margins)
        lines.append(f"Least margin below the ceiling: {words.force(least[0], unit)}, {least[1]}.")
    proofs = Counter(str(d.record.get("proof", "not made")) for d in done)
    lines.append("Looks at the clamp: " + ", ".join(f"{n} {what}" for what, n in proofs.most_common()) + ".")
    hands = Counter(
        str(x.get("name", "unknown")) for d in done for x in d.record.get("disturbances") or () if isinstance(x, dict)
    )
    if hands:
        lines.append("Seen in the holds: " + ", ".join(f"{n} {what}" for what, n in hands.most_common()) + ".")
    for p in range(len(kept.state.plan.racquet.pieces)):
        r = relaxing(done, p)
        name = PIECES[kept.state.plan.racquet.pieces[p].part]
        seen = f", {100 * r.seen:.1f} % seen at {r.pulls} clamps" if r.seen is not None else ""
        lines.append(
            f"Relaxation for each tenfold of time, {name}: {100 * r.usual:.1f} % usual{seen}, "
            f"{100 * r.decade:.1f} % ± {100 * r.u:.1f} % taken."
        )
    return words.section("Measurement", words.items(lines))


def _tones(kept: Kept) -> str:
    rows = []
    for t in tones(kept):
        expected = "–" if t.expected_hz is None else f"{t.expected_hz:.0f} ± {t.u_expected_hz:.0f} ({t.basis})"
        room = "–" if t.temp_c is None else f"{t.temp_c:g} °C"
        rows.append((words.clock(t.at)[:16], t.when, f"{t.hz:.0f} ± {t.u_hz:.1f}", expected, verdict(t), room, t.how))
    head = ("taken", "", "Hz", "expected, Hz", "", "room", "how")
    return words.section("Tone", words.table(head, rows, (2,), keep=(0, 1, 5)) if rows else "")


def _table(kept: Kept, unit: str) -> str:
    rows = []
    for f in kept.figures:
        d = f.done
        r = d.record if d is not None else {}
        rows.append(
            (
                str(f.name),
                words.bare(f.asked_n, unit),
                words.bare(f.pulled_n, unit),
                words.figure(None if f.off is None else 100.0 * f.off, 2, True),
                "–"
                if f.delivered is None
                else f"{words.bare(f.delivered.mean_n, unit)} ± {words.bare(f.delivered.u_n, unit)}",
                words.figure(r.get("draw_length_mm")),
                words.figure(r.get("stiffness_n_mm"), 2),
                words.figure(held_s(r)),
                words.figure(r.get("take_up_mm"), 2),
                "–" if d is None or d.friction is None else words.figure(100.0 * d.friction, 0, True),
                words.bare(r.get("loss_now_n"), unit),
                str(r.get("proof", "–")),
                words.bare(r.get("least_margin_n"), unit),
            )
        )
    head = (
        "string", f"asked, {unit}", "at clamp", "off, %", "delivered", "draw, mm", "N/mm", "held, s", "take-up, mm",
        "friction, %", f"creep {unit}/min", "clamp", "margin",
    )  # fmt: skip
    text = (
        "Friction: how much stiffer a cross looks than the straight strings of its piece. Creep: what the head forecast "
        "for the first minute when the clamp was set. Margin: least distance to the ceiling."
    )
    return words.section("String by string", words.table(head, rows, range(1, 13), "dense"), words.paragraph(text, "small"))
