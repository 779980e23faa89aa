"""A sheet to draw on: black lines on white, readable when printed. Symbols roughly as in IEC 60617 (from memory)."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

Point = tuple[float, float]
LONG = 40.0  # of a symbol between its two terminals

STYLE = (
    "text{font-family:'DejaVu Sans',Arial,sans-serif;fill:#000}"
    "path,rect,circle,ellipse{fill:none;stroke:#000;stroke-width:1.4;stroke-linejoin:round}"
    ".power{stroke-width:3}.wire{stroke-width:1.4}.link{stroke-dasharray:5 4}"
    ".earth{stroke-width:1.6;stroke-dasharray:9 3 2 3}.thin{stroke-width:.8}"
    ".white{fill:#fff}.grey{fill:#e4e4e4}.dark{fill:#555}.black{fill:#000}.none{stroke:none;fill:#fff}"
)


def num(value: float) -> str:
    """A coordinate, short."""
    return f"{value + 0.0:.1f}".removesuffix(".0")


class Sheet:
    """One drawing. Coordinates in px, from the upper left; ``says`` is the drawing in a sentence."""

    def __init__(self, width: float, height: float, says: str) -> None:
        self.width = width
        self.height = height
        self._says = says
        self._parts: list[str] = []
        self.text(20, 28, says, px=15, bold=True)

    def svg(self) -> str:
        """The whole file."""
        size = f'width="{num(self.width)}" height="{num(self.height)}" viewBox="0 0 {num(self.width)} {num(self.height)}"'
        head = f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{escape(self._says)}">'
        ground = f'<rect class="none" width="{num(self.width)}" height="{num(self.height)}"/>'
        return "\n".join([head, f"<style>{STYLE}</style>", ground, *self._parts, "</svg>", ""])

    # --- strokes -----------------------------------------------------------------------------------------------
    def path(self, way: str, kind: str = "") -> None:
        """Any path."""
        self._parts.append(f'<path class="{kind}" d="{way}"/>')

    def line(self, points: Sequence[Point], kind: str = "wire", closed: bool = False) -> None:
        """A line through points."""
        self.path("M" + "L".join(f"{num(x)} {num(y)}" for x, y in points) + "Z" * closed, kind)

    def rect(self, x: float, y: float, w: float, h: float, kind: str = "", round_: float = 0.0) -> None:
        """A rectangle."""
        corner = f' rx="{num(round_)}"' if round_ else ""
        self._parts.append(f'<rect class="{kind}" x="{num(x)}" y="{num(y)}" width="{num(w)}" height="{num(h)}"{corner}/>')

    def circle(self, x: float, y: float, r: float, kind: str = "") -> None:
        """A circle."""
        self._parts.append(f'<circle class="{kind}" cx="{num(x)}" cy="{num(y)}" r="{num(r)}"/>')

    def ellipse(self, x: float, y: float, rx: float, ry: float, kind: str = "") -> None:
        """An ellipse."""
        self._parts.append(f'<ellipse class="{kind}" cx="{num(x)}" cy="{num(y)}" rx="{num(rx)}" ry="{num(ry)}"/>')

    def text(self, x: float, y: float, words: str, anchor: str = "start", px: int = 13, bold: bool = False) -> None:
        """Words; line breaks make lines."""
        weight = ' font-weight="bold"' if bold else ""
        for i, row in enumerate(words.split("\n")):
            at = f'x="{num(x)}" y="{num(y + i * (px + 4))}"'
            self._parts.append(f'<text {at} font-size="{px}" text-anchor="{anchor}"{weight}>{escape(row)}</text>')

    def box(self, x: float, y: float, w: float, h: float, words: str, kind: str = "white", px: int = 13) -> None:
        """A box with words in its middle; the first line is bold."""
        self.rect(x, y, w, h, kind, 3)
        rows = words.split("\n")
        top = y + h / 2 - (len(rows) - 1) * (px + 4) / 2 + px * 0.36
        for i, row in enumerate(rows):
            self.text(x + w / 2, top + i * (px + 4), row, "middle", px, bold=i == 0)

    def arrow(self, points: Sequence[Point], kind: str = "wire", both: bool = False) -> None:
        """A line of horizontal and vertical pieces with a head at its end, or at both."""
        self.line(points, kind)
        self._head(points[-2], points[-1])
        if both:
            self._head(points[1], points[0])

    def _head(self, a: Point, b: Point) -> None:
        length = ((b[0] - a[0]) ** 2 + (b[1] - a[1]) ** 2) ** 0.5
        ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
        back = (b[0] - 9 * ux, b[1] - 9 * uy)
        self.line([b, (back[0] - 4 * uy, back[1] + 4 * ux), (back[0] + 4 * uy, back[1] - 4 * ux)], "black", closed=True)

    def measure(self, a: Point, b: Point, words: str, px: int = 12) -> None:
        """A dimension between two points; the words beside or above its middle."""
        self.line([a, b], "thin")
        self._head(a, b)
        self._head(b, a)
        x, y = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
        if a[0] == b[0]:
            self.text(x + 8, y + px * 0.36, words, px=px)
        else:
            self.text(x, y - 6, words, "middle", px)

    # --- symbols, terminals at (x, y) and (x, y + LONG) --------------------------------------------------------
    def dot(self, x: float, y: float) -> None:
        """Where wires meet."""
        self.circle(x, y, 3.5, "black")

    def closed_contact(self, x: float, y: float, kind: str = "wire") -> None:
        """A contact closed at rest."""
        self.line([(x, y), (x, y + 11), (x + 11, y + 11)], kind)
        self.line([(x, y + LONG), (x, y + 30), (x + 9, y + 5)], kind)

    def open_contact(self, x: float, y: float, kind: str = "wire") -> None:
        """A contact open at rest."""
        self.line([(x, y), (x, y + 11)], kind)
        self.line([(x, y + LONG), (x, y + 30), (x - 12, y + 10)], kind)

    def fuse(self, x: float, y: float, kind: str = "wire") -> None:
        """A fuse."""
        self.rect(x - 6, y + 5, 12, 30, "white")
        self.line([(x, y), (x, y + LONG)], kind)

    def resistor(self, x: float, y: float, kind: str = "wire") -> None:
        """A resistor."""
        self.line([(x, y), (x, y + LONG)], kind)
        self.rect(x - 7, y + 5, 14, 30, "white")

    def coil(self, x: float, y: float) -> None:
        """A relay's coil."""
        self.line([(x, y), (x, y + LONG)])
        self.rect(x - 20, y + 8, 40, 24, "white")

    def diode(self, x: float, y: float, kind: str = "wire", up: bool = False) -> None:
        """A diode that leads downwards, or upwards."""
        self.line([(x, y), (x, y + LONG)], kind)
        a, b = (28.0, 12.0) if up else (12.0, 28.0)
        self.line([(x - 9, y + a), (x + 9, y + a), (x, y + b)], "white", closed=True)
        self.line([(x - 9, y + b), (x + 9, y + b)])

    def capacitor(self, x: float, y: float) -> None:
        """A capacitor."""
        self.line([(x, y), (x, y + 16)])
        self.line([(x, y + 24), (x, y + LONG)])
        self.line([(x - 13, y + 16), (x + 13, y + 16)], "power")
        self.line([(x - 13, y + 24), (x + 13, y + 24)], "power")

    def earth(self, x: float, y: float) -> None:
        """Protective earth, the star point."""
        self.line([(x, y), (x, y + 10)])
        for i, half in enumerate((14, 9, 4)):
            self.line([(x - half, y + 10 + 5 * i), (x + half, y + 10 + 5 * i)], "power")

    def tag(self, x: float, y: float, words: str, side: str = "right", px: int = 12) -> None:
        """Where a wire goes on: a small ring and the words beside it."""
        self.circle(x, y, 4, "white")
        at = {"right": (x + 9, y + 4, "start"), "left": (x - 9, y + 4, "end"), "above": (x, y - 10, "middle")}
        tx, ty, anchor = at.get(side, (x, y + 19, "middle"))
        rows = words.split("\n")
        self.text(tx, ty - (17 * (len(rows) - 1) if side == "above" else 0), words, anchor, px)
