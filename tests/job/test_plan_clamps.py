"""Clamps and knots of a plan, followed by a second reckoning that knows only what the plan says in words."""

from __future__ import annotations

import re

import pytest
from evenbed.job.plan import after, make_plan
from evenbed.job.plan_clamps import Clamps, Handling
from evenbed.job.plan_order import made, pulled_at
from evenbed.job.planned import Equipment, PlannedPull
from evenbed.racquet.model import SIDES, Racquet, Side, StringName
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_racquets import ONE, TWO, equipments, racquet, racquets

NAME = re.compile(r"main (\d+) (left|right)|cross (\d+)")


def strings_at(place: str) -> list[str]:
    """The strings that a clamp there touches."""
    return [m.group(0) for m in NAME.finditer(place)]


class Bench:
    """Closed clamps by their words, and which strings are in."""

    def __init__(self, r: Racquet, e: Equipment) -> None:
        self.r, self.e = r, e
        self.closed: list[str] = []
        self.loaded: set[str] = set()
        self.tied: list[str] = []

    def close(self, place: str, beside: set[str]) -> None:
        assert place and place not in self.closed
        outside = "outside the frame" in place
        self.closed.append(place)
        starting = sum("(starting clamp)" in p for p in self.closed)
        assert starting <= self.e.starting
        assert len(self.closed) - starting <= self.e.count
        if self.e.kind == "floating" and not outside:
            # A floating clamp needs a tensioned neighbour.
            held, neighbour = strings_at(place)
            assert neighbour in beside and neighbour != held

    def open(self, place: str) -> None:
        assert place in self.closed
        self.closed.remove(place)

    def take(self, p: PlannedPull) -> None:
        self.handle(p.name, p.also, p, p.pulled_at)

    def handle(self, name: StringName, also: tuple[StringName, ...], p: PlannedPull | Handling, at: str) -> None:
        if p.ties_before:
            self.tied.append(p.ties_before)
        if p.sets:
            self.close(p.sets, set())
        if p.frees:
            self.open(p.frees)
        now = {str(name), *map(str, also)}
        self.close(p.clamps, self.loaded | now)
        assert strings_at(p.clamps)[0] == str(name)
        assert f"the {at}" in p.clamps
        self.loaded |= now
        if p.ties:
            self.tied.append(p.ties)
            assert p.opens == p.clamps  # the knot holds what the clamp has held
        if p.opens:
            self.open(p.opens)
        self.no_tail_is_loose()

    def no_tail_is_loose(self) -> None:
        """Each end of a string that is in is held by a clamp or a knot."""
        held = {s for place in self.closed for s in strings_at(place)}
        for side, knot in (("left", "mains left"), ("right", "mains right")):
            numbers = [int(s.split()[1]) for s in self.loaded if s.endswith(side)]
            if not numbers:
                continue
            tied = knot in self.tied or (side == self.r.short_side and "short side" in self.tied)
            went_on = len(self.r.pieces) == 1 and side != self.r.short_side and any("cross" in s for s in self.loaded)
            assert tied or went_on or f"main {max(numbers)} {side}" in held
        if any("cross" in s for s in self.loaded):
            assert "crosses end" in self.tied or any("cross" in s for s in held)


@settings(deadline=None, max_examples=50)
@given(racquets(), equipments)
def test_what_is_opened_was_set_and_nothing_is_loose(r: Racquet, e: Equipment) -> None:
    bench = Bench(r, e)
    for p in make_plan(r, e).pulls:
        bench.take(p)
    assert bench.closed == []
    # A piece of string has two ends: two knots in one piece, four in two, the starting knot among them.
    if len(r.pieces) == 1:
        assert sorted(bench.tied) == ["crosses end", "short side"]
    else:
        assert sorted(bench.tied) == ["crosses end", "crosses start", "mains left", "mains right"]


@settings(deadline=None, max_examples=40)
@given(racquets(), equipments, st.lists(st.sampled_from(SIDES), max_size=12))
def test_clamps_are_right_in_another_order(r: Racquet, e: Equipment, turns: list[Side]) -> None:
    left = {s: [StringName("main", n, s) for n in range(1, r.per_side + 1)] for s in SIDES}
    done: list[StringName] = []
    for side in turns:
        if len(done) == 1 and e.kind == "floating" and e.count > 1 and done[0].side is not None:
            side = done[0].side  # the clamp on both centre mains cannot be moved before
        if left[side]:
            done.append(left[side].pop(0))
    bench, clamps = Bench(r, e), Clamps(r, e)
    for draw in made(r, e, done):
        bench.handle(draw.name, draw.also, clamps.take(draw), pulled_at(r, draw.name))
    for p in after(make_plan(r, e), done):
        bench.take(p)
    assert bench.closed == []


def test_the_opening_with_two_fixed_clamps() -> None:
    first, second, third = make_plan(racquet(), Equipment("fixed", 2, False)).pulls[:3]
    # One clamp holds the loop, so a pull loads one main.
    assert (first.label, first.sets, first.frees, first.clamps) == (
        "main 1 left", "main 1 right at the head", "", "main 1 left at the throat",
    )  # fmt: skip
    assert (second.label, second.frees, second.clamps) == (
        "main 1 right", "main 1 right at the head", "main 1 right at the throat",
    )  # fmt: skip
    assert (third.label, third.frees, third.clamps) == (
        "main 2 right",
        "main 1 right at the throat",
        "main 2 right at the head",
    )
    assert first.length_mm == pytest.approx(racquet().main_lengths_mm[0])


def test_the_opening_with_floating_clamps() -> None:
    pulls = make_plan(racquet(), Equipment("floating", 2, True)).pulls[:4]
    assert [p.label for p in pulls] == ["main 1 left and main 1 right", "main 2 left", "main 1 right", "main 2 right"]
    assert pulls[0].sets == "main 1 right outside the frame at the throat (starting clamp)" == pulls[0].opens
    assert pulls[0].clamps == "main 1 left to main 1 right at the throat" == pulls[2].frees
    assert any("face out of its line" in s for s in pulls[0].says)
    # From the starting clamp round the loop to the gripper: both centre mains are stretched.
    assert pulls[0].length_mm == pytest.approx(2.0 * racquet().main_lengths_mm[0])


def test_a_late_first_cross() -> None:
    r = racquet(pieces=TWO)
    pulls = make_plan(r).pulls[16:]
    assert [p.name.number for p in pulls] == [*range(2, 20), 1]
    assert (
        pulls[0].label == "cross 2 and cross 1"
        and pulls[0].sets == "cross 1 outside the frame at the left (starting clamp)"
    )
    assert pulls[0].length_mm == pytest.approx(sum(r.cross_lengths_mm[:2]))
    assert pulls[-1].frees == pulls[0].sets and pulls[-1].ties == "crosses start" and pulls[-2].ties == "crosses end"
    fixed = make_plan(r, Equipment("fixed", 2, False)).pulls[16]
    assert fixed.sets == "cross 1 at the left"  # the second clamp keeps its tail


def test_the_short_side_is_tied_when_its_mains_are_done() -> None:
    pulls = make_plan(racquet(pieces=ONE, short_side="right")).pulls
    tied = [(p.label, p.ties) for p in pulls if p.ties]
    assert tied == [("main 8 right", "short side"), ("cross 19", "crosses end")]
    # The long side's last main is held until the first cross stands.
    assert pulls[16].frees == pulls[14].clamps == "main 8 left at the head"
