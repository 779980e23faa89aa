"""A proof of the clamp on an ideal strand: force is stiffness times stretch (Hooke's law)."""

from __future__ import annotations

import math
from collections.abc import Callable

from evenbed.head.learning import Delay
from evenbed.head.look import Seen
from evenbed.head.proof import ClampProof, ProofBook
from evenbed.head.types import RigModel

PERIOD_S = 0.0125
RIG = RigModel(21000.0, 8759.0, 1600.0, 330.0, PERIOD_S, 60.0, 800.0, 6.0, 20.0, 130.0, 40.0, 0.041664, 0.027776)
K, REFERENCE_N, CEILING_N = 8.0, 200.0, 240.0
SURE_DELAY = Delay(0.025, 0.005)


class Bench:
    """A strand of K, held at its reference; a good clamp leaves a near piece of twice that stiffness. ``share`` of a time
    is the part of each step that the motor makes, ``easing_share`` the same once the looks are done."""

    def __init__(
        self,
        k_n_mm: float,
        share: Callable[[float], float] = lambda _t: 1.0,
        book: ProofBook | None = None,
        woven: bool = False,
        lowest_n: float = math.inf,
    ) -> None:
        book = book or ProofBook()
        self.proof = ClampProof(RIG, REFERENCE_N, K, None, SURE_DELAY, book, woven, 50.0, "gut", lowest_n)
        self.k, self.share = k_n_mm, share
        self.t = 0.0
        self.x = self.real = 50.0
        self.moves = True
        self.easing_share = 1.0
        self.heard: Callable[[int], bool] = lambda _n: True  # which readings arrive
        self.push_n = 0.0
        self.creeps_mm_s = 0.0  # at which string comes through the jaws if the whole tension pulls at them
        self.slips_below_n: float | None = None  # from there on the string comes through the jaws: the whole strand eases
        self.slipped_k = K

    @property
    def force_n(self) -> float:
        force = REFERENCE_N + self.push_n + self.k * (self.real - 50.0)
        if self.slips_below_n is None or force >= self.slips_below_n:
            return force
        return self.slips_below_n + (force - self.slips_below_n) * self.slipped_k / self.k

    @property
    def made(self) -> float:
        return self.share(self.t) * (self.easing_share if self.proof.k_look_n_mm else 1.0)

    def run(self, until_s: float = 60.0) -> str:
        v, n, go = 0.0, 0, None
        while not self.proof.verdict and self.t < until_s:
            n += 1
            if go is None or self.heard(n):
                go = self.proof.step(self.t, self.force_n, Seen(self.x, self.x, self.x), self.x, v, CEILING_N)
            most = go.speed_mm_s if self.moves else 0.0
            v = min(max((go.end_mm - self.x) / PERIOD_S, -min(most, 6.0)), min(most, 6.0))
            self.x += v * PERIOD_S
            self.real += v * PERIOD_S * self.made
            self.real += self.creeps_mm_s * PERIOD_S * (1.0 - self.force_n / REFERENCE_N)
            self.t += PERIOD_S
        return self.proof.verdict
