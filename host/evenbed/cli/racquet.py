"""``evenbed racquet``: makes, checks and shows racquet files."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from evenbed.racquet.ask import QUESTIONS, AnswerError, file_text
from evenbed.racquet.file import KNOTS, SUFFIX, RacquetError, examples, find, parse, read, write
from evenbed.racquet.findings import Findings
from evenbed.racquet.geometry import hoop_of
from evenbed.racquet.model import Piece, Racquet, StringName
from evenbed.racquet.rules import check
from evenbed.units import show_force

MOST_TRIES = 20  # a pipe that answers nonsense is not asked for ever


def new(words: str, ask: Callable[[str], str] = input) -> int:
    """Ask for a racquet and write its file. Returns the exit code."""
    path = Path(words if words.endswith(".toml") else words + SUFFIX)
    if path.exists():
        print(f"{path} is there already: choose another name.", file=sys.stderr)
        return 2
    print("Enter takes what stands in brackets. Ctrl-C leaves, and nothing is written.")
    try:
        answers = _answers(ask)
    except (KeyboardInterrupt, EOFError) as e:
        print("\nNothing is written.")
        return 130 if isinstance(e, KeyboardInterrupt) else 2
    if answers is None:
        print("Nothing is written.")
        return 2
    text = file_text(answers)
    try:
        racquet = parse(text, str(path))
        write(path, text)
    except RacquetError as e:
        print(e, file=sys.stderr)
        return 2
    print(f"\n{path} is written; it can be changed in any editor.")
    for line in _findings(check(racquet)):
        print(line)
    print(f"See what it says:  evenbed racquet check {path}")
    return 0


def _answers(ask: Callable[[str], str]) -> dict[str, str] | None:
    answers: dict[str, str] = {}
    for question in QUESTIONS:
        if not question.wanted(answers):
            continue
        usual = question.usual(answers)
        for _ in range(MOST_TRIES):
            given = ask(f"{question.text(answers)} [{usual}] ").strip() or usual
            try:
                answers[question.key] = question.check(answers, given)
                break
            except AnswerError as e:
                print(f"  {e}")
        else:
            return None
    return answers


def show(words: str) -> int:
    """Print what a racquet file says and what is wrong with it. Returns the exit code: 2 if it has to be corrected."""
    try:
        racquet = read(find(words))
    except RacquetError as e:
        print(e, file=sys.stderr)
        return 2
    found = check(racquet)
    for line in [*_head(racquet), "", *_table(racquet), "", *_knots(racquet), *_findings(found)]:
        print(line)
    return 2 if found.errors else 0


def _head(racquet: Racquet) -> list[str]:
    r = racquet
    hoop = hoop_of(r)
    pieces = "one piece" if len(r.pieces) == 1 else "two pieces"
    allowed = "not given"
    if r.least_n is not None or r.most_n is not None:
        least, most = (show_force(v, r.unit) if v is not None else "?" for v in (r.least_n, r.most_n))
        allowed = f"{least} to {most}"
    rows = [
        ("hoop inside", f"{r.head_length_mm:g} x {r.head_width_mm:g} mm, {hoop.area_mm2() / 100:.0f} cm2"),
        ("mains", f"{r.mains}: from the {r.start}, {r.per_side} on each side end at the {r.mains_end}"),
        ("crosses", f"{r.crosses}: from the {r.crosses_from}{_first_cross(r)}"),
        *[("string" if len(r.pieces) == 1 else p.part, _piece(p)) for p in r.pieces],
        (
            "inside the frame",
            f"mains {2 * sum(r.main_lengths_mm) / 1e3:.2f} m, crosses {sum(r.cross_lengths_mm) / 1e3:.2f} m",
        ),
        ("maker allows", allowed),
        ("mains ahead", f"{r.mains_ahead} at most" + (f"; short side {r.short_side}" if len(r.pieces) == 1 else "")),
    ]
    if r.tie_off_above:
        rows.append(("before a knot", f"{r.tie_off_above * 100:g} % more"))
    rows += [("note", n) for n in r.notes] + [(k, v) for k, v in r.player.items()]
    return [f"{r.name} · {r.sport} · {r.mains} x {r.crosses} · {pieces}", *(f"  {k:18}{v}" for k, v in rows)]


def _first_cross(racquet: Racquet) -> str:
    if len(racquet.pieces) == 1:
        return ""
    return ", the first one drawn last" if racquet.late_first_cross else ", with a starting knot"


def _piece(piece: Piece) -> str:
    words = [piece.family, f"{piece.diameter_mm:.2f} mm" if piece.diameter_mm else "diameter not given"]
    words += ["stretched by hand before mounting"] if piece.hand_stretched else []
    if piece.over_pull:
        where = "" if piece.over_pull_crosses or piece.part != "all" else ", mains only"
        words.append(f"over-pulled by {piece.over_pull * 100:g} %{where}")
    return ", ".join([*words, f"drawn at {piece.speed_mm_s:g} mm/s"])


def _table(racquet: Racquet) -> list[str]:
    lines = [f"  {'':10}{'length':>8}   {'holes':24}tension"]
    for i, mm in enumerate(racquet.main_lengths_mm):
        holes = f"head {racquet.main_holes['head'][i]}, throat {racquet.main_holes['throat'][i]}"
        left, right = (racquet.reference_n(StringName("main", i + 1, s)) for s in ("left", "right"))
        tension = show_force(left, racquet.unit)
        if left != right:
            tension = f"{tension} left, {show_force(right, racquet.unit)} right"
        lines.append(f"  {f'main {i + 1}':10}{mm:5.0f} mm   {holes:24}{tension}")
    for i, mm in enumerate(racquet.cross_lengths_mm):
        end, number = racquet.cross_holes[i]
        tension = show_force(racquet.reference_n(StringName("cross", i + 1)), racquet.unit)
        lines.append(f"  {f'cross {i + 1}':10}{mm:5.0f} mm   {f'{end} {number}':24}{tension}")
    return lines


def _knots(racquet: Racquet) -> list[str]:
    order = KNOTS[len(racquet.pieces)]
    knots = [f"{k} in {racquet.tie_offs[k]}" for k in order if k in racquet.tie_offs]
    shared = [f"{end} {number}" for end, number in sorted(racquet.shared_holes)]
    lines = [f"  knots: {'; '.join(knots)}"] if knots else []
    lines += [f"  shared holes: {', '.join(shared)}, left and right"] if shared else []
    return [*lines, *(f"  worked out, not given: {said}" for said in racquet.estimated)]


def _findings(found: Findings) -> list[str]:
    lines = [f"  CORRECT   {text}" for text in found.errors]
    lines += [f"  QUESTION  {text}" for text in found.questions]
    lines += [f"  remark    {text}" for text in found.remarks]
    return lines or ["  Nothing to correct, nothing to ask."]


def show_examples(folder: Path | None) -> int:
    """List the examples, or copy them into ``folder``. Returns the exit code."""
    if folder is None:
        for name, path in examples().items():
            racquet = read(path)
            print(f"{name:28}{racquet.name}, {racquet.sport} {racquet.mains} x {racquet.crosses}")
        print("\nCopy them to change them:  evenbed racquet examples FOLDER")
        return 0
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        print(f"{folder} cannot be made: {e.strerror}.", file=sys.stderr)
        return 2
    code = 0
    for path in examples().values():
        try:
            write(folder / path.name, path.read_text(encoding="utf-8"))
            print(folder / path.name)
        except RacquetError as e:
            print(e, file=sys.stderr)
            code = 2
    return code
