"""The racquet file, ``*.racquet.toml``: TOML, millimetres, every tension in the unit that the file names."""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from importlib.resources import files
from pathlib import Path
from typing import Literal, cast

from evenbed.racquet import naming
from evenbed.racquet.frame import FrameRead, PatternRead, read_frame, read_pattern
from evenbed.racquet.model import End, Hole, Piece, Racquet, Side, StringName
from evenbed.racquet.sports import FAMILIES, SPORTS, Sport
from evenbed.racquet.table import Table, nearest, printable, shown
from evenbed.units import N_PER_KGF, N_PER_LBF, UNITS

NEWTONS = {"N": 1.0, "kgf": N_PER_KGF, "lbf": N_PER_LBF}
WRITABLE_N = (30.0, 400.0)  # tensions that a file may hold at all; sport and frame allow less
PARITY = "as the maker says"
NO_RULES = "not for play by the rules"
FIRST_CROSS = ("late", "starting knot")
KNOTS = {1: ("short side", "crosses end"), 2: ("mains left", "mains right", "crosses start", "crosses end")}
ALL_KNOTS = tuple(dict.fromkeys(KNOTS[1] + KNOTS[2]))
MOST_BYTES = 200_000
SUFFIX = ".racquet.toml"


class RacquetError(ValueError):
    """A racquet file that cannot be used. ``problems`` holds all that is wrong, each naming the table, key, hole or value,
    and what to do."""

    def __init__(self, source: str, problems: list[str]) -> None:
        self.source, self.problems = source, tuple(problems)
        head = f"{source}: " + ("one problem" if len(problems) == 1 else f"{len(problems)} problems")
        super().__init__("\n".join([head, *(f"  {p}" for p in problems)]))


@dataclass
class _Work:
    """What [work] says."""

    mains_ahead: int
    crosses_from: End = "head"
    late: bool = True
    short_side: Side = "left"
    above: float = 0.0


@dataclass
class _Tension:
    """What [tension] says, N."""

    main_n: float = 0.0
    cross_n: float = 0.0
    own: dict[StringName, float] = field(default_factory=dict)
    estimated: tuple[str, ...] = ()


def find(words: str) -> Path:
    """The file that is meant: a path, or the name of an example."""
    path = Path(words)
    return path if path.exists() else examples().get(words.removesuffix(SUFFIX), path)


def write(path: Path, text: str) -> None:
    """Write a racquet file, all of it or nothing, and over no other. Raises RacquetError."""
    part = path.with_name(f".{path.name}.part")
    try:
        if path.exists():
            raise RacquetError(str(path), ["this file is there already: choose another name."])
        part.write_text(text, encoding="utf-8")
        part.replace(path)
    except OSError as e:
        raise RacquetError(str(path), [f"it cannot be written: {e.strerror}. Choose another place."]) from None
    finally:
        with contextlib.suppress(OSError):
            part.unlink()


def read(path: Path) -> Racquet:
    """Read a racquet file. Raises RacquetError with everything that is wrong with it."""
    source = str(path)
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise RacquetError(
            source, [f"there is no such file; 'evenbed racquet new' makes one. Examples: {', '.join(examples())}."]
        ) from None
    except OSError as e:
        raise RacquetError(source, [f"it cannot be read: {e.strerror}."]) from None
    if len(raw) > MOST_BYTES:
        raise RacquetError(source, [f"{len(raw)} bytes are no racquet file ({MOST_BYTES} at most)."])
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as e:
        raise RacquetError(source, [f"byte {e.start} is not UTF-8 text: save the file as UTF-8."]) from None
    return parse(text, source)


def parse(text: str, source: str = "racquet") -> Racquet:
    """Read the text of a racquet file; ``source`` is how messages call it. Raises RacquetError."""
    try:
        raw = tomllib.loads(text)
    except RecursionError:
        raise RacquetError(source, ["brackets are nested too deeply: this is no racquet file."]) from None
    except ValueError as e:
        raise RacquetError(source, [f"it is not TOML: {e}. Texts stand in quotes, comments behind #."]) from None
    problems: list[str] = []
    racquet = _racquet(raw, problems)
    if racquet is None or problems:
        raise RacquetError(source, problems)
    return racquet


def _racquet(raw: Mapping[str, object], problems: list[str]) -> Racquet | None:
    top = Table("", raw, problems)
    name = top.text("name", "call the racquet something.")
    sport_name = top.word("sport", tuple(SPORTS), f"one of {', '.join(SPORTS)}.")
    sport = SPORTS.get(sport_name or "")
    unit = top.word("unit", UNITS, "N, kgf or lbf, the unit of all tensions in this file.")
    newtons = NEWTONS[unit or "N"]
    low, high = WRITABLE_N if unit else (0.0, 1e6)
    force = (low / newtons, high / newtons, unit or "of force")
    parity = top.word("parity", (PARITY,))
    rules = top.word("rules", (NO_RULES,))
    notes = tuple(top.texts("notes"))

    frame = read_frame(top.table("frame", "the table with the sizes of the frame."), sport, force)
    pattern = read_pattern(top.table("pattern", "the table with mains and crosses."), frame, sport)
    pieces = _pieces(top)
    tension = _tension(top.table("tension", "the table with the references."), pattern, sport, force, newtons)
    work = _work(top.table("work"), sport)
    tie_offs = _tie_offs(top.table("tie_offs"))
    player = _player(top.table("player"))
    top.finish()
    if problems or name is None or sport is None or unit is None or frame.hoop is None:
        return None
    return Racquet(
        name=name,
        sport=sport.name,
        unit=unit,
        mains=pattern.mains,
        crosses=pattern.crosses,
        head_length_mm=frame.hoop.length_mm,
        head_width_mm=frame.hoop.width_mm,
        main_lengths_mm=pattern.main_lengths_mm,
        cross_lengths_mm=pattern.cross_lengths_mm,
        mains_x_mm=pattern.mains_x_mm,
        crosses_y_mm=pattern.crosses_y_mm,
        outline=frame.hoop.points(),
        main_holes=pattern.main_holes,
        cross_holes=pattern.cross_holes,
        start=pattern.start,
        pieces=pieces,
        main_n=tension.main_n,
        cross_n=tension.cross_n,
        own_references=tension.own,
        least_n=_in_newtons(frame.least, newtons),
        most_n=_in_newtons(frame.most, newtons),
        mains_ahead=work.mains_ahead,
        crosses_from=work.crosses_from,
        late_first_cross=work.late,
        short_side=work.short_side,
        tie_off_above=work.above,
        tie_offs=tie_offs,
        shared_holes=pattern.shared,
        frame_length_mm=frame.length_mm,
        notes=notes,
        player=player,
        frame_width_mm=frame.width_mm,
        exponent=frame.exponent,
        mains_at_throat=pattern.mains_at_throat,
        holes=frame.holes,
        parity_overruled=parity is not None,
        rules_overruled=rules is not None,
        estimated=_estimated(frame, pattern, tension),
    )


def _in_newtons(value: float | None, newtons: float) -> float | None:
    return None if value is None else value * newtons


def _estimated(frame: FrameRead, pattern: PatternRead, tension: _Tension) -> tuple[str, ...]:
    measured = any(said.startswith("where") and "lengths follow" in said for said in pattern.estimated)
    outline = frame.estimated if measured or not pattern.main_lengths_mm else ()
    return outline + pattern.estimated + tension.estimated


def _pieces(top: Table) -> tuple[Piece, ...]:
    raw = top.take("string", "write [string] for one piece, or [[string]] twice for two.")
    if raw is None:
        return ()
    tables = [raw] if isinstance(raw, dict) else raw
    if not isinstance(tables, list) or not all(isinstance(t, dict) for t in tables):
        top.wrong("string", f"{shown(raw)} is no table: write [string] or [[string]] on a line of its own.")
        return ()
    pieces = [_piece(Table("[string]" if len(tables) == 1 else f"[[string]] {i + 1},", t, top.problems))
              for i, t in enumerate(tables)]  # fmt: skip
    parts = sorted(p.part for p in pieces)
    if parts not in (["all"], ["crosses", "mains"]):
        top.wrong(
            "string", f"the parts are {', '.join(parts) or 'none'}: one piece is 'all', two are 'mains' and 'crosses'."
        )
    return tuple(sorted(pieces, key=lambda p: p.part != "mains"))


def _piece(table: Table) -> Piece:
    part = table.word("part", ("all", "mains", "crosses")) or "all"
    family = table.word("family", FAMILIES, f"one of {', '.join(FAMILIES)}.")
    piece = Piece(
        part=cast(Literal["all", "mains", "crosses"], part),
        family=family or "unknown",
        diameter_mm=table.number("diameter_mm", 0.4, 2.0, "mm") or 0.0,
        hand_stretched=table.flag("hand_stretched") or False,
        over_pull=(table.number("over_pull_percent", 0.0, 15.0, "%") or 0.0) / 100.0,
        over_pull_crosses=table.flag("over_pull_crosses") or False,
        speed_mm_s=table.number("speed_mm_s", 5.0, 100.0, "mm/s") or 60.0,
    )
    table.finish()
    return piece


def _tension(
    table: Table, pattern: PatternRead, sport: Sport | None, force: tuple[float, float, str], newtons: float
) -> _Tension:
    read = _Tension()
    main = table.number("main", *force, needed="the reference of the mains.")
    cross = table.number("cross", *force)
    ratio = table.number("cross_ratio", 0.5, 1.5, "")
    if "cross" in table.raw and "cross_ratio" in table.raw:
        table.wrong("cross_ratio", "cross says it already: leave one of the two out.")
    if "cross" not in table.raw and "cross_ratio" not in table.raw and sport is not None:
        ratio = sport.cross_ratio
        read.estimated = (f"tension of the crosses: {ratio:g} times that of the mains, usual in {sport.name}",)
    read.main_n = (main or 0.0) * newtons
    read.cross_n = read.main_n * ratio if ratio is not None else (cross or 0.0) * newtons
    own = table.table("own")
    own.where = "[tension.own]"
    for key in own.raw:
        value = own.number(key, *force)
        if not pattern.mains or not pattern.crosses:
            continue
        try:
            names = naming.string_names(key, pattern.mains // 2, pattern.crosses)
        except naming.NamingError as e:
            own.problems.append(f"[tension.own] {e}")
            continue
        for name in names:
            if name in read.own:
                own.wrong(key, f"{name} has a reference of its own already: leave one out.")
            read.own[name] = (value or 0.0) * newtons
    table.finish()
    return read


def _work(table: Table, sport: Sport | None) -> _Work:
    read = _Work(table.whole("mains_ahead", 1, 6) or (sport.mains_ahead if sport else 2))
    read.crosses_from = cast(End, table.word("crosses_from", ("head", "throat")) or "head")
    read.late = (table.word("first_cross", FIRST_CROSS) or "late") == "late"
    read.short_side = cast(Side, table.word("short_side", ("left", "right")) or "left")
    read.above = (table.number("tie_off_above_percent", 0.0, 15.0, "%") or 0.0) / 100.0
    table.finish()
    return read


def _tie_offs(table: Table) -> dict[str, Hole]:
    found: dict[str, Hole] = {}
    for key, value in table.raw.items():
        if key not in ALL_KNOTS:
            table.wrong(key, f"no knot is called so; {nearest(key, ALL_KNOTS)}")
        elif not isinstance(value, str):
            table.wrong(key, f"{shown(value)} is no hole: write it like 'head 6 left', in quotes.")
        else:
            try:
                found[key] = naming.hole(value)
            except naming.NamingError as e:
                table.wrong(key, str(e))
    return found


def _player(table: Table) -> dict[str, str]:
    words: dict[str, str] = {}
    for key, value in table.raw.items():
        if isinstance(value, datetime | date | time):
            words[key] = value.isoformat()
        elif isinstance(value, int | float) and not isinstance(value, bool):
            words[key] = shown(value)
        elif isinstance(value, str) and printable(value):
            words[key] = " ".join(value.split())
        else:
            table.wrong(key, f"{shown(value)} is no text: write some words in quotes.")
    return words


def examples() -> dict[str, Path]:
    """The example racquets that come with this program, by name (without ``.racquet.toml``)."""
    folder = Path(str(files("evenbed.racquet"))) / "examples"
    return {p.name.removesuffix(SUFFIX): p for p in sorted(folder.glob(f"*{SUFFIX}"))}
