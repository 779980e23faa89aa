"""The page: well formed, self-contained, everything escaped, true in every state of a job."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser

import pytest
from evenbed.job import marks as kinds
from evenbed.job.free import free_plan
from evenbed.job.marks import JobState, Mark, fold
from evenbed.record.jobs import JobRow
from evenbed.report.kept import Kept, of
from evenbed.report.page import page
from evenbed.units import show_force
from report_jobs import START, Made, whole

VOID = {"meta", "br", "hr", "img", "input", "link"}  # HTML standard, void elements (some of them)


class Tree(HTMLParser):
    """Checks that what is opened is closed in order; keeps attributes and text."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, k, v or "") for k, v in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.attributes += [(tag, k, v or "") for k, v in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, f"</{tag}> closes {self.open[-3:]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] != "style":
            self.text.append(data)


def read(html: str) -> Tree:
    tree = Tree()
    tree.feed(html)
    tree.close()
    assert not tree.open
    return tree


def words(html: str) -> str:
    return " ".join(" ".join(read(html).text).split())


HOSTILE = "\"><script>alert(1)</script>&'</style>"


def hostile() -> Made:
    text = (
        'name = "<b>Bold</b> \\"& racquet"\n' + Made("demo-six-by-seven").text.split("\n", 2)[2]
        + '\n[player]\nwish = "<script>alert(1)</script>"\n"next due" = "<i>soon</i> & \\"later\\""\nname = "</div><h1>"\n'
    )  # fmt: skip
    made = Made("demo-six-by-seven", text=text).lists({"shape": HOSTILE})
    made.string(3).do("note", text=HOSTILE)
    made.string().lists()
    return made.tone(600.0, HOSTILE, 900.0, HOSTILE)


@pytest.fixture(scope="module")
def finished() -> Kept:
    return whole().kept()


@pytest.fixture(scope="module")
def states(finished: Kept) -> dict[str, Kept]:
    unfinished = Made("badminton-22x21").lists().string(15)
    given_up = Made("tennis-one-piece-16x18").lists().string(9).do("give up").lists()
    return {
        "finished": finished,
        "just begun": Made("squash-14x18").kept(),
        "unfinished": unfinished.kept(),
        "given up": given_up.kept(),
        "simulated": Made("squash-14x18", calibration=None).lists().string().lists().kept(simulated=True),
        "free": free(),
        "hostile": hostile().kept(),
    }


def free() -> Kept:
    plan = free_plan(200.0, 190.0, family="nylon")
    row = JobRow(4, START.isoformat(), "free work", "", {}, tuple(p.label for p in plan.pulls), False, "0.1.0", None)
    marks = [Mark("phase", {"phase": kinds.STRINGING}, row.wall)]
    for number in (1, 2, 61):
        p = plan.pulls[number - 1]
        record = {"label": p.label, "reference_n": p.target_n, "force_at_clamp_n": 0.999 * p.target_n, "ended": "let off"}
        values = {"number": number, "label": p.label, "record": record, "trace": [[0.0, 0.0], [1.0, 200.0]]}
        marks.append(Mark("pulled", values, row.wall))
    state: JobState = fold(plan, marks)
    return of(row, marks, state)


ALL = ("finished", "just begun", "unfinished", "given up", "simulated", "free", "hostile")


@pytest.mark.parametrize("which", ALL)
@pytest.mark.parametrize("unit", ["N", "kgf", "lbf"])
def test_well_formed_and_self_contained(states: dict[str, Kept], which: str, unit: str) -> None:
    html = page(states[which], unit)
    tree = read(html)
    assert html.startswith("<!doctype html>")
    # Nothing is fetched and nothing runs: no script, no reference to anything outside, no handler.
    outside = {"src", "href", "data", "action", "srcset", "poster"}
    for tag, name, value in tree.attributes:
        assert name not in outside and not name.startswith("on"), (tag, name)
        assert "://" not in value or name == "xmlns", (tag, name, value)
    assert not re.search(r"<script|@import|url\(", html, re.IGNORECASE)
    assert "nan" not in words(html).lower().split() and "None" not in words(html)
    for picture in re.findall(r"<svg.*?</svg>", html, re.DOTALL):
        root = ET.fromstring(picture)
        assert root.get("role") == "img" and root.get("aria-label")
        width, height = (float(v) for v in (root.get("viewBox") or "").split()[2:])
        for rect in root.iter("{http://www.w3.org/2000/svg}rect"):
            assert float(rect.get("width") or 0) >= 0.0 and float(rect.get("height") or 0) >= 0.0
            assert -1.0 <= float(rect.get("x") or 0) <= width and -1.0 <= float(rect.get("y") or 0) <= height


def test_what_others_wrote_is_only_text(states: dict[str, Kept]) -> None:
    html = page(states["hostile"], "kgf")
    assert "<script" not in html and "<b>" not in html and "<i>" not in html and html.count("<h1>") == 1
    said = words(html)
    for text in ('<b>Bold</b> "& racquet', "<script>alert(1)</script>", '<i>soon</i> & "later"', "</div><h1>", HOSTILE):
        assert " ".join(text.split()) in said, text
    assert html.count("</style>") == 1


def test_figures_are_those_of_the_records(finished: Kept) -> None:
    said = words(page(finished, "kgf"))
    r = finished.state.plan.racquet
    assert r.name in said and "more feel than last time" in said and "38 pulls" in said
    assert show_force(r.main_n, "kgf") in said and show_force(r.cross_n, "kgf") in said
    assert "length −1.5 mm, width +1.0 mm" in said
    assert "560 Hz after the job" in said and "it is as it should be" in said
    assert "38 pulls with calibration 3: U (k = 2) 0.05 kgf" in said
    force = finished.state.done[0].record["force_at_clamp_n"]
    assert show_force(force, "kgf").split()[0] in said
    least = min(d.record["least_margin_n"] for d in finished.state.done)
    assert f"Least margin below the ceiling: {show_force(least, 'kgf')}" in said


def test_units_are_the_readers(finished: Kept) -> None:
    assert " lbf" in words(page(finished, "lbf")) and "kgf" not in words(page(finished, "lbf"))


def test_every_string_is_in_the_table_and_in_the_picture(finished: Kept) -> None:
    html = page(finished, "N")
    for name in finished.state.plan.racquet.names():
        assert f">{name}<" in html
    bed = next(p for p in re.findall(r"<svg.*?</svg>", html, re.DOTALL) if "String bed" in p)
    strings = len(finished.state.plan.racquet.names())
    assert bed.count('class="pulled"') == strings + 1 == bed.count('class="kept"')  # and one each in the legend
    assert bed.count('class="spread"') == strings + 1


def test_states_are_said(states: dict[str, Kept]) -> None:
    assert "This job is not finished (stringing), 15 of 43 pulls" in words(page(states["unfinished"], "lbf"))
    assert "given up after 9 pulls" in words(page(states["given up"], "kgf"))
    assert "Simulated: no string was pulled" in words(page(states["simulated"], "N"))
    assert "without a calibration" in words(page(states["simulated"], "N"))
    for which in ("unfinished", "given up"):
        assert 'class="label"' not in page(states[which], "N")  # nothing to stick on such a racquet
    assert 'class="label"' in page(states["finished"], "N")


def test_without_colour_marks_still_differ(finished: Kept) -> None:
    html = page(finished, "N")
    holds = next(p for p in re.findall(r"<svg.*?</svg>", html, re.DOTALL) if "Hold time" in p)
    mains = sum(d.pull.name.kind == "main" for d in finished.state.done)
    assert holds.count("<circle") == mains  # mains round, crosses square
    assert len(re.findall(r'<path d="M[^"]*Z" class="dot', holds)) == len(finished.state.done) - mains
