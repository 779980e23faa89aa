"""The plan against facts of the trade (common practice, no source) on any racquet."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from evenbed.job.plan import after, make_plan
from evenbed.job.planned import Equipment, Plan, PlanError
from evenbed.racquet.model import Hole, Racquet, StringName, other_end, other_side
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_racquets import EQUIPMENTS, TWO, equipments, racquet, racquets


def mains(plan: Plan, side: str) -> list[int]:
    return [p.name.number for p in plan.pulls if p.name.side == side]


@settings(deadline=None, max_examples=40)
@given(racquets(), equipments)
def test_every_string_is_drawn_once(r: Racquet, e: Equipment) -> None:
    plan = make_plan(r, e)
    assert sorted(str(p.name) for p in plan.pulls) == sorted(map(str, r.names()))
    assert [p.number for p in plan.pulls] == list(range(1, len(plan.pulls) + 1))
    # A pull loads two strings only round the first loop, with clamps that cannot hold it, and behind a late first cross.
    also = {(p.name, n) for p in plan.pulls for n in p.also}
    expected = set()
    if e.kind == "floating" or e.count == 1:
        expected.add((StringName("main", 1, r.short_side), StringName("main", 1, other_side(r.short_side))))
    if len(r.pieces) == 2 and r.late_first_cross:
        first, second = (1, 2) if r.crosses_from == "head" else (r.crosses, r.crosses - 1)
        expected.add((StringName("cross", second), StringName("cross", first)))
    assert also == expected
    assert set(plan.expected) == set(r.names())
    assert len(plan.loads) == len(plan.pulls)


@settings(deadline=None, max_examples=40)
@given(racquets(), equipments)
def test_mains_go_outwards_left_and_right_in_turn(r: Racquet, e: Equipment) -> None:
    plan = make_plan(r, e)
    assert mains(plan, "left") == mains(plan, "right") == list(range(1, r.per_side + 1))
    loaded: set[StringName] = set()
    ahead = []
    for p in plan.pulls[: r.mains]:
        assert p.name.kind == "main"
        loaded |= {p.name, *p.also}
        ahead.append(sum(n.side == "left" for n in loaded) - sum(n.side == "right" for n in loaded))
    assert max(map(abs, ahead)) <= min(1, r.mains_ahead)
    # The two sides end within one string of each other.
    assert {p.name.number for p in plan.pulls[r.mains - 2 : r.mains]} == {r.per_side}
    # Each pair is begun on the other side than the one before: what a pull takes from those that are in, it takes from
    # both sides alike.
    begun = [p.name.side for p in plan.pulls[: r.mains : 2]]
    assert begun[0] == r.short_side and all(a != b for a, b in pairwise(begun))


@settings(deadline=None, max_examples=40)
@given(racquets(), equipments)
def test_a_string_runs_on_where_it_was_pulled(r: Racquet, e: Equipment) -> None:
    plan = make_plan(r, e)
    at = {p.name: p.pulled_at for p in plan.pulls}
    for side in ("left", "right"):
        ends = [at[StringName("main", n, side)] for n in range(1, r.per_side + 1)]  # type: ignore[arg-type]
        # Out of the loop at one end, pulled at the other, and so on.
        assert ends[0] == other_end(r.start)
        assert all(a != b for a, b in pairwise(ends))
        # Mains a side even: they end where they began; odd: at the other end.
        assert ends[-1] == (r.start if r.per_side % 2 == 0 else other_end(r.start))
    running = [p for p in plan.pulls[r.mains :] if p.ties != "crosses start"]
    numbers = [p.name.number for p in running]
    assert numbers == sorted(numbers, reverse=r.crosses_from == "throat")
    assert all(a.pulled_at != b.pulled_at for a, b in pairwise(running))
    late = [p for p in plan.pulls if p.ties == "crosses start"]
    if len(r.pieces) == 1:
        # The long side goes on through the first cross, which is pulled at the other side.
        assert running[0].pulled_at == r.short_side and not late
    elif r.late_first_cross:
        # The first and the second cross are joined at one side, so both are pulled at the other.
        assert late == [plan.pulls[-1]] and late[0].pulled_at == running[0].pulled_at
        assert late[0].name == running[0].also[0]
    for p in plan.pulls:
        if p.name.kind == "main":
            assert p.name.side is not None
            end = other_end(r.main_enters(p.name.number))
            assert p.hole == Hole(end, r.main_holes[end][p.name.number - 1], p.name.side)
        else:
            assert (p.hole.end, p.hole.number) == r.cross_holes[p.name.number - 1] and p.hole.side == p.pulled_at


@settings(deadline=None, max_examples=40)
@given(racquets(), equipments)
def test_strings_are_alternately_interlaced(r: Racquet, e: Equipment) -> None:
    # ITF Rules of Tennis, Appendix II: strings are alternately interlaced where they cross.
    plan = make_plan(r, e)
    over: dict[tuple[int, int], bool] = {}
    for p in plan.pulls:
        w = p.weaving
        if w is None:
            continue
        assert p.pulled_at == w.enters or w.name not in (p.name, *p.also)
        end, hole = r.cross_holes[w.name.number - 1]
        met = sum(n < hole for n in r.main_holes[end]) or r.per_side
        columns = [c for c in range(-met, met + 1) if c != 0]
        if w.enters == "right":
            columns.reverse()
        for i, column in enumerate(columns):
            over[w.name.number, column] = (w.first == "over") == (i % 2 == 0)
    for (cross, column), up in over.items():
        for neighbour in ((cross, column + 1 + (column == -1)), (cross + 1, column)):
            assert over.get(neighbour, not up) != up


def test_a_cross_is_woven_where_the_string_came_out() -> None:
    plan = make_plan(racquet())
    pulls = plan.pulls[16:]
    for p, following in pairwise(pulls):
        if p.weaving:
            assert p.weaving.name == following.name and p.weaving.enters == p.pulled_at
        else:
            assert any(s.startswith(f"Weave {following.name}") for s in following.says)
    # Woven through all the mains that it meets: cross 1 comes from hole 8, the outermost mains lie in hole 9.
    assert pulls[0].crossings == 14 and pulls[1].crossings == 16
    # A cross in the hole of a main goes beside it, not across.
    beside = racquet(cross_holes=(("head", 7), *racquet().cross_holes[1:]))
    assert make_plan(beside).pulls[16].crossings == 12
    assert plan.weave_ahead_to is not None and plan.weave_ahead_to.number in (17, 18)
    no_room = make_plan(racquet(), Equipment(tail_mm=2000.0))
    assert no_room.weave_ahead_to is not None and no_room.weave_ahead_to.number < plan.weave_ahead_to.number


def test_references_pieces_and_allowances() -> None:
    own = {StringName("main", 3, "left"): 220.0}
    r = racquet(pieces=TWO, own_references=own, tie_off_above=0.08, late_first_cross=False)
    plan = make_plan(r)
    for before, p in zip((None, *plan.pulls), plan.pulls, strict=False):
        assert p.reference_n == own.get(p.name, 230.0 if p.name.kind == "main" else 225.0)
        assert p.new_reference == (before is None or before.reference_n != p.reference_n)
        said = [s for s in p.says if s.startswith("New reference")]
        assert len(said) == p.new_reference
        if before is not None and p.new_reference:
            # One pull before it and at it.
            assert any("new reference" in s and p.label in s for s in before.says)
        assert p.above == (0.08 if p.ties else 0.0)
        assert p.piece == (0 if p.name.kind == "main" else 1) and p.family == r.pieces[p.piece].family
    assert sum("Another string" in s for p in plan.pulls for s in p.says) == 1
    assert plan.pulls[16].ties_before == "crosses start"


def test_over_pull_spares_the_crosses_unless_asked() -> None:
    piece = replace(racquet().pieces[0], over_pull=0.1)
    for asked in (False, True):
        plan = make_plan(racquet(pieces=(replace(piece, over_pull_crosses=asked),)))
        assert all(p.over_pull == (0.1 if asked or not p.woven else 0.0) for p in plan.pulls)


def test_too_few_clamps_are_said_so() -> None:
    for e in (Equipment("fixed", 1, False), Equipment("floating", 0, True)):
        with pytest.raises(PlanError, match=r"two clamps are needed.*rig\.toml"):
            make_plan(racquet(), e)


def test_contradictions_are_asked() -> None:
    # Eight mains a side that begin at the throat end there: one piece cannot go on to the crosses at the head.
    assert any("end at the throat" in q for q in make_plan(racquet(start="throat")).questions)
    assert not any("end at the" in q for q in make_plan(racquet(start="head")).questions)
    assert not any("end at the" in q for q in make_plan(racquet(start="throat", pieces=TWO)).questions)
    # More mains ahead than the sport is used to: three in tennis, two in badminton.
    assert not any("mains_ahead" in q for q in make_plan(racquet(mains_ahead=3)).questions)
    assert any("mains_ahead is 4" in q for q in make_plan(racquet(mains_ahead=4)).questions)


def test_lopsided_references_are_noticed() -> None:
    assert not any("more than the others" in w for w in make_plan(racquet()).warnings)
    own = {StringName("main", n, "left"): 240.0 for n in range(1, 9)}
    assert any("mains on the left are drawn 8.16 kgf more" in w for w in make_plan(racquet(own_references=own)).warnings)


# --- another order -----------------------------------------------------------------------------------------
@settings(deadline=None, max_examples=50)
@given(racquets(), equipments, st.data())
def test_any_order_is_followed(r: Racquet, e: Equipment, data: st.DataObject) -> None:
    plan = make_plan(r, e)
    left = {s: [StringName("main", n, s) for n in range(1, r.per_side + 1)] for s in ("left", "right")}  # type: ignore[arg-type]
    done: list[StringName] = []
    for side in data.draw(st.lists(st.sampled_from(["left", "right"]), max_size=2 * r.per_side)):
        if left[side]:
            done.append(left[side].pop(0))
    rest = after(plan, done)
    assert sorted(map(str, [*done, *(p.name for p in rest)])) == sorted(map(str, r.names()))
    numbers = {p.name: p.number for p in plan.pulls}
    assert all(p.number == numbers[p.name] for p in rest)
    # The side behind catches up before the other goes on.
    ahead = len(left["right"]) - len(left["left"])
    catching_up = [p.name.side for p in rest[: abs(ahead)]]
    opening = e.kind == "floating" and e.count > 1 and len(done) == 1
    if ahead and not opening:
        assert set(catching_up) == {"right" if ahead > 0 else "left"}
    remarks = [s for p in rest for s in p.says if "mains ahead" in s or "lopsided" in s]
    more = "left" if ahead > 0 else "right"
    assert len(remarks) == (abs(ahead) > r.mains_ahead and done[-1].side == more)


@pytest.mark.parametrize("e", EQUIPMENTS, ids=lambda e: f"{e.kind}-{e.count}-{e.starting}")
@pytest.mark.parametrize("r", [racquet(), racquet(pieces=TWO), racquet(pieces=TWO, late_first_cross=False)])
def test_the_planned_order_stays_the_plan(r: Racquet, e: Equipment) -> None:
    plan = make_plan(r, e)
    for i in range(len(plan.pulls)):
        rest = after(plan, [p.name for p in plan.pulls[:i]])
        assert rest[1:] == list(plan.pulls[i + 1 :])
        assert rest[0].frees == plan.pulls[i].frees and rest[0].name == plan.pulls[i].name


def test_too_far_ahead_is_said_once_then_obeyed() -> None:
    # Common practice, no source: at most three mains on one side before the other.
    plan = make_plan(racquet())
    done = [StringName("main", n, "left") for n in range(1, 6)]
    said = [[s for s in after(plan, done[:i])[0].says if "mains ahead" in s] for i in range(1, 6)]
    assert [len(s) for s in said] == [0, 0, 0, 1, 1]
    assert said[3][0].startswith("The left side is 4 mains ahead, at most 3")
    # Back on the other side there is nothing more to say, although it is still behind by four.
    back = after(plan, [*done, StringName("main", 1, "right")])
    assert not any("mains ahead" in s for p in back for s in p.says)
    assert [str(p.name) for p in back[:5]] == [*(f"main {n} right" for n in range(2, 6)), "main 6 right"]


def test_a_reference_changed_meanwhile_is_new() -> None:
    plan = make_plan(racquet())
    done = [p.name for p in plan.pulls[:3]]
    changed = replace(plan, racquet=replace(plan.racquet, main_n=220.0))
    assert not after(changed, done)[0].new_reference
    first, second, *_ = after(changed, done, 230.0)
    assert first.new_reference and first.reference_n == 220.0 and "New reference: main 2 left at 22.43 kgf." in first.says
    assert not second.new_reference


def test_a_cross_too_early_gets_one_remark() -> None:
    plan = make_plan(racquet(pieces=TWO))
    done = [p.name for p in plan.pulls[:12]]
    lopsided = after(plan, [*done, StringName("main", 7, "left"), StringName("cross", 2)])
    assert "1 of the mains on the right" in lopsided[0].says[0] and lopsided[0].name == StringName("main", 7, "right")
    assert not any("lopsided" in s for p in after(plan, done) for s in p.says)
