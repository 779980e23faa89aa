"""HTML of the report: small pieces, everything escaped. Forces in the reader's unit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from evenbed.racquet.model import Piece
from evenbed.record.keeping import local_time
from evenbed.units import show_force


def force(newtons: float | None, unit: str) -> str:
    """A force with its unit; a dash where there is none."""
    return "–" if newtons is None else show_force(newtons, unit)


def bare(newtons: float | None, unit: str) -> str:
    """A force without its unit, for a column that names it."""
    return "–" if newtons is None else show_force(newtons, unit).rsplit(" ", 1)[0]


def figure(value: float | None, digits: int = 1, sign: bool = False) -> str:
    """A number; a dash where there is none."""
    if value is None:
        return "–"
    value = round(value, digits) + 0.0
    return (f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}").replace("-", "−")


def within(newtons: float, u_n: float, unit: str) -> str:
    """A force with its standard uncertainty or spread."""
    return f"{bare(newtons, unit)} ± {bare(u_n, unit)} {unit}"


def day(wall: str) -> str:
    """The day of a stored time."""
    return clock(wall)[:10]


def clock(wall: str) -> str:
    """A stored time as the clock here shows it; as it is if it is no time."""
    try:
        return local_time(wall)
    except ValueError:
        return wall


def string(piece: Piece) -> str:
    """A piece of string in words."""
    thick = f" {piece.diameter_mm:.2f} mm" if piece.diameter_mm else ""
    return f"{piece.family}{thick}"


def prepared(piece: Piece) -> str:
    """What was done to a piece before it was strung."""
    done = []
    if piece.hand_stretched:
        done.append("stretched by hand before mounting")
    if piece.over_pull:
        which = "" if piece.over_pull_crosses or piece.part == "mains" else " (mains)"
        done.append(f"over-pull {100.0 * piece.over_pull:.0f} % on the head{which}")
    return ", ".join(done)


def paragraph(text: str, kind: str = "") -> str:
    """A paragraph."""
    mark = f' class="{kind}"' if kind else ""
    return f"<p{mark}>{escape(text)}</p>"


def facts(pairs: Iterable[tuple[str, str]]) -> str:
    """Names and values; those without a value are left out."""
    return "<dl>" + "".join(f"<dt>{escape(k)}</dt><dd>{escape(v)}</dd>" for k, v in pairs if v) + "</dl>"


def items(texts: Iterable[str]) -> str:
    """A list; nothing if there is nothing to list."""
    found = list(texts)
    return "<ul>" + "".join(f"<li>{escape(t)}</li>" for t in found) + "</ul>" if found else ""


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Sequence[int] = (),
    kind: str = "",
    keep: Sequence[int] = (0,),
) -> str:
    """A table; ``numbers`` are the columns of figures, ``keep`` those whose words are not torn apart."""

    def cells(tag: str, row: Sequence[str]) -> str:
        marks = [' class="n"' if i in numbers else ' class="k"' if i in keep else "" for i in range(len(row))]
        return "".join(f"<{tag}{m}>{escape(c)}</{tag}>" for c, m in zip(row, marks, strict=True))

    body = "".join(f"<tr>{cells('td', row)}</tr>" for row in rows)
    mark = f' class="{kind}"' if kind else ""
    return f"<table{mark}><thead><tr>{cells('th', head)}</tr></thead><tbody>{body}</tbody></table>"


def section(title: str, *parts: str, kind: str = "") -> str:
    """A section with its title; "" if it holds nothing."""
    if not any(parts):
        return ""
    mark = f' class="{kind}"' if kind else ""
    return f"<section{mark}><h2>{escape(title)}</h2>{''.join(parts)}</section>"
