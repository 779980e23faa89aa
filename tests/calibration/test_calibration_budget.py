"""Budgets against the worked examples of the GUM, its Supplement 1 and EA-4/02."""

from __future__ import annotations

import math

import pytest
from evenbed.calibration.budget import Budget, Term, collect, expand, monte_carlo, two_digits
from evenbed.calibration.special import t_factor
from hypothesis import given, settings
from hypothesis import strategies as st


def test_end_gauge_gum_h1() -> None:
    # JCGM 100:2008 H.1 (inputs from memory; results l = 50 000 838 nm, u_c = 32 nm first order are published).
    length, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
    terms = (
        Term("standard", 75.0, "normal", 1.0, "nm", 18.0, k=3.0),
        Term("comparison, repeats", 5.8, "normal", 1.0, "nm", 24.0),
        Term("comparator, random", 3.9, "normal", 1.0, "nm", 5.0),
        Term("comparator, systematic", 6.7, "normal", 1.0, "nm", 8.0),
        Term("difference of expansion", 1e-6, "rectangular", -length * theta, "1/K", 50.0),
        Term("difference of temperature", 0.05, "rectangular", -length * alpha, "K", 2.0),
    )
    budget = Budget(length + 215.0, terms)
    assert budget.force_n == 50_000_838.0
    assert budget.u_n == pytest.approx(32.0, abs=0.5)
    assert budget.u_n**2 == pytest.approx(1002.0, abs=3.0)  # nm2, printed in H.1.4
    assert math.floor(budget.dof) == 16  # printed in H.1.6 as 16.7, truncated to 16
    assert t_factor(0.99, 16) == pytest.approx(2.92, abs=0.005)
    assert t_factor(0.99, 16) * budget.u_n == pytest.approx(93.0, abs=1.0)


def test_effective_degrees_of_freedom_gum_g41() -> None:
    # JCGM 100:2008 G.4.1: u_c = 1.03 %, nu_eff = 19.0, t95 = 2.09, U95 = 2.2 % (from memory, recomputed).
    budget = Budget(100.0, tuple(Term(f"{n}", u, dof=n - 1.0) for n, u in ((10, 0.25), (5, 0.57), (15, 0.82))))
    assert budget.u_n == pytest.approx(1.02947, abs=1e-5)
    assert budget.dof == pytest.approx(18.9987, abs=1e-4)
    assert t_factor(0.95, 19) == pytest.approx(2.0930, abs=1e-4)
    assert t_factor(0.95, 19) * budget.u_n == pytest.approx(2.1547, abs=1e-4)


def test_weight_of_ten_kilograms_ea_4_02_s2() -> None:
    # EA-4/02 M S2: u = 29.3 mg, U (k = 2) = 59 mg (from memory, recomputed 29.33).
    terms = (
        Term("standard", 45.0, "normal", 1.0, "mg", k=2.0),
        Term("drift", 15.0 / math.sqrt(3.0) * math.sqrt(3.0), "rectangular", 1.0, "mg"),  # 8.66, printed 8.95
        Term("comparison", 14.4, "normal", 1.0, "mg"),
        Term("eccentricity", 10.0, "rectangular", 1.0, "mg"),
        Term("air buoyancy", 10.0, "rectangular", 1.0, "mg"),
    )
    assert [round(t.standard, 2) for t in terms] == [22.5, 8.66, 14.4, 5.77, 5.77]
    assert Budget(10_000_025.0, terms).u_n == pytest.approx(29.3, abs=0.1)
    assert Budget(10_000_025.0, terms).expanded_n == pytest.approx(59.0, abs=0.6)


def test_four_rectangular_jcgm_101() -> None:
    # JCGM 101:2008 9.2.3: u = 2.00, 95 % +-3.88; exact 2 sqrt 3 (2 - 0.6^(1/4)) = 3.879 407 (derived).
    budget = Budget(0.0, tuple(Term(str(i), math.sqrt(3.0), "rectangular") for i in range(4)))
    spread = monte_carlo(budget, coverage=0.95)
    exact = 2.0 * math.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert exact == pytest.approx(3.879407, abs=1e-6)
    assert spread.stable and spread.trials >= 50_000
    assert spread.u_n == pytest.approx(2.0, abs=0.01)
    assert spread.half_n == pytest.approx(exact, abs=0.02)
    assert spread == monte_carlo(budget, coverage=0.95)


def test_one_wide_rectangular_jcgm_101() -> None:
    # JCGM 101:2008 9.2.4: three of u = 1, one of u = 10; u = 10.1, 95 % +-17.0, where the GUM says +-19.8 (from memory).
    budget = Budget(0.0, tuple(Term(str(u), u * math.sqrt(3.0), "rectangular") for u in (1.0, 1.0, 1.0, 10.0)))
    spread = monte_carlo(budget, coverage=0.95)
    assert budget.u_n == pytest.approx(10.1, abs=0.05)
    assert spread.half_n == pytest.approx(17.0, abs=0.1)
    assert budget.dominated
    wide = expand(budget)
    assert wide.method == "Monte Carlo"
    assert wide.expanded_n < budget.expanded_n == pytest.approx(20.3, abs=0.01)


def test_one_rectangular_alone_cannot_be_exceeded() -> None:
    # The interval of a rectangle of half width 3 that covers 95.45 % is +-0.9545 x 3 (derived).
    only = expand(Budget(5.0, (Term("tolerance", 3.0, "rectangular"),)))
    assert only.method == "Monte Carlo"
    assert only.expanded_n == pytest.approx(0.9545 * 3.0, rel=0.01)


@pytest.mark.parametrize(
    ("distribution", "half"),
    # 95.45 % half widths over the half width: triangle 1 - sqrt(1 - p), arcsine sin(p pi/2) (derived).
    [("triangular", 1.0 - math.sqrt(1.0 - 0.9545)), ("arcsine", math.sin(0.9545 * math.pi / 2.0))],
)
def test_drawn_shapes(distribution: str, half: float) -> None:
    term = Term("shape", 1.0, distribution)
    spread = monte_carlo(Budget(0.0, (term,)))
    assert spread.u_n == pytest.approx(term.standard, rel=0.01)
    assert spread.half_n == pytest.approx(half, rel=0.02)


def test_normal_terms_give_k_2_and_trials_agree() -> None:
    budget = Budget(235.0, (Term("a", 0.3), Term("b", 0.4), Term("c", 0.2, "rectangular")))
    assert expand(budget).method == "k = 2"
    spread = monte_carlo(budget)
    assert spread.mean_n == pytest.approx(235.0, abs=0.02)
    assert spread.half_n == pytest.approx(budget.expanded_n, rel=0.02)


def test_few_degrees_of_freedom_are_said() -> None:
    budget = Budget(235.0, (Term("repeats", 1.0, dof=2.0),))
    assert budget.coverage == pytest.approx(0.8165, abs=1e-4)  # P(|t_2| < 2) = 2/sqrt 6 (derived)
    assert budget.k95 == pytest.approx(4.53, abs=0.005)  # JCGM 100 Table G.2 (from memory)


def test_shared_terms_add_linearly_with_their_signs() -> None:
    def pair(sign: float) -> Budget:
        return Budget(1.0, (Term("a", 3.0, shared="s"), Term("b", 4.0, sensitivity=sign, shared="s")))

    assert pair(1.0).u_n == pytest.approx(7.0)
    assert pair(-1.0).u_n == pytest.approx(1.0)
    assert Budget(1.0, (Term("a", 3.0), Term("b", 4.0))).u_n == pytest.approx(5.0)


def test_a_group_is_as_uncertain_as_its_least_known_member() -> None:
    group = (Term("a", 3.0, dof=4.0, shared="s"), Term("b", 4.0, dof=50.0, shared="s"))
    assert Budget(1.0, group).dof == pytest.approx(4.0)


def test_trials_work_for_the_smallest_numbers() -> None:
    tiny = Budget(1.0, (Term("x", 1.0, "rectangular", 1e-170), Term("y", 0.0)))
    assert monte_carlo(tiny).u_n == pytest.approx(tiny.u_n, rel=0.02)
    assert monte_carlo(Budget(2.0, ())).half_n == 0.0


def test_table_is_ready_to_print_and_adds_up() -> None:
    budget = Budget(235.4, (Term("gravity", 0.001, sensitivity=24.0, unit="m/s2"), Term("weights", 0.2, "rectangular")))
    table = budget.table()
    assert table[0] == ("weights", "0.2 N", "rectangular", "1.73", "0.115", "1", f"{budget.share(budget.terms[1]):.1f}")
    assert table[-1][0] == "together"
    assert sum(float(row[-1]) for row in table[:-1]) == pytest.approx(100.0, abs=0.1)


def test_two_digits() -> None:
    # ILAC-P14:09/2020: at most two significant digits.
    assert [two_digits(u) for u in (0.0, 0.123456, 0.0996, 1.04, 12.7, 236.2)] == ["0", "0.12", "0.10", "1.0", "13", "240"]


def test_impossible_terms_are_refused() -> None:
    with pytest.raises(ValueError, match="from 0 up"):
        Term("x", -1.0)
    with pytest.raises(ValueError, match="from 0 up"):
        Term("x", math.nan)
    with pytest.raises(ValueError, match="degrees of freedom"):
        Term("x", 1.0, dof=0.0)


def test_collect_joins_what_is_one_error() -> None:
    one = [Term("set", 1.0, "rectangular", 1.0, shared="set"), Term("step", 2.0)]
    joined = collect([one, one], [0.25, 0.5])
    opposed = {term.name: term for term in collect([one, one], [0.25, -0.5])}
    assert opposed["set"].value == pytest.approx(0.25)
    by_name = {term.name: term for term in joined}
    assert by_name["set"].value == pytest.approx(0.75)
    assert by_name["set"].distribution == "rectangular"
    assert by_name["step"].standard == pytest.approx(2.0 * math.hypot(0.25, 0.5))


values = st.floats(0.0, 100.0)
shapes = st.sampled_from(["normal", "rectangular", "triangular", "arcsine"])
terms = st.builds(lambda v, d, s: Term("t", v, d, s), values, shapes, st.floats(-5.0, 5.0))


@settings(deadline=None)
@given(st.lists(terms, min_size=0, max_size=6), terms)
def test_adding_a_term_never_lowers_u(some: list[Term], more: Term) -> None:
    assert Budget(1.0, (*some, more)).expanded_n >= Budget(1.0, tuple(some)).expanded_n * (1.0 - 1e-12)


@settings(deadline=None, max_examples=15)
@given(st.lists(terms, min_size=1, max_size=4), terms)
def test_adding_a_term_never_lowers_u_by_trials_either(some: list[Term], more: Term) -> None:
    before, after = expand(Budget(1.0, tuple(some))), expand(Budget(1.0, (*some, more)))
    assert after.expanded_n >= before.expanded_n * 0.99  # trials have two stable digits


@settings(deadline=None)
@given(st.lists(terms, min_size=1, max_size=6), st.floats(0.001, 1000.0), st.randoms())
def test_units_scale_and_order_does_not_matter(some: list[Term], factor: float, rnd: object) -> None:
    scaled = [Term(t.name, t.value, t.distribution, t.sensitivity * factor) for t in reversed(some)]
    assert Budget(1.0, tuple(scaled)).u_n == pytest.approx(factor * Budget(1.0, tuple(some)).u_n, rel=1e-9)
