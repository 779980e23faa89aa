"""A safety core on a bench: every reading, input and order by hand, every number a Small."""

from __future__ import annotations

from evenbed_fw import safety, wire
from evenbed_fw.safety import Core
from evenbed_fw.settings import Settings

from firmware.small import Small, small_settings

CEILING_MN = 250_000


class Bench:
    """Plain values in, plain state out; ``read`` and ``tick`` advance the clock."""

    def __init__(self, settings: Settings | None = None, start_us: int = 0) -> None:
        self.s = small_settings(settings)
        self.core = Core(self.s)
        self.now_us = start_us
        self.at = 0
        self.rate = 0
        self.held_ms = 0
        self.estop = self.supply = self.pedal_fault = False
        self.seq = 0
        self._wiggle = 0

    def counts(self, newtons: float) -> int:
        return int(self.s.counts(round(newtons * 1000)))

    def wait(self, us: int) -> Bench:
        self.now_us = (self.now_us + us) % wire.TIME_WRAP_US
        return self

    def raw(self, raw: int, after_us: int = 12_500) -> Bench:
        """One conversion exactly so."""
        self.wait(after_us)
        self.core.sample(Small(self.now_us), Small(raw), Small(self.at), Small(self.rate))
        return self.tick(0)

    def read(self, newtons: float = 0.0, times: int = 1) -> Bench:
        """Readings of this force with the last bit alive, as noise leaves it."""
        for _ in range(times):
            self._wiggle = 1 - self._wiggle
            self.raw(self.counts(newtons) + self._wiggle)
        return self

    def tick(self, after_us: int = 1000) -> Bench:
        self.wait(after_us)
        inputs = (self.estop, self.supply, self.pedal_fault)
        self.core.tick(Small(self.now_us), Small(self.at), Small(self.rate), *inputs, Small(self.held_ms))
        return self

    def arm(self, ceiling_mn: int = CEILING_MN) -> int:
        return self.core.arm(ceiling_mn, self.estop, self.supply, self.pedal_fault)

    def clear(self) -> int:
        return self.core.clear(self.estop, self.supply, self.pedal_fault)

    def press(self) -> Bench:
        self.core.press(Small(self.now_us), Small(self.at), Small(self.rate))
        return self

    def tap(self, held_ms: int = 100) -> Bench:
        """A whole press, at rest or not."""
        self.press()
        for _ in range(held_ms // 10):
            self.quiet(10)
        self.core.tap(Small(self.now_us), Small(held_ms))
        return self

    def quiet(self, ms: int) -> Bench:
        """Time with readings of the same force, one each 12.5 ms or sooner."""
        force = self.core.raw
        while ms > 0:
            step = min(ms, 10)
            self._wiggle = 1 - self._wiggle
            self.raw(int(force) - int(force) % 2 + self._wiggle, step * 1000)
            ms -= step
        return self

    def go(
        self,
        mode: int = wire.DRAW,
        rate: int = 40_000,
        end: int = 100_000,
        soft: int = 8_388_607,
        expiry_ms: int = 150,
        seq: int | None = None,
        high: bool = False,
    ) -> int:
        if seq is None:
            self.seq = (self.seq + 1) % wire.SEQ_WRAP
            seq = self.seq
        return self.core.go(
            Small(self.now_us),
            Small(seq),
            Small(mode),
            Small(rate),
            Small(end),
            Small(soft),
            Small(expiry_ms),
            Small(self.at),
            high,
        )


def latched(settings: Settings | None = None, start_us: int = 0) -> Bench:
    """Greeted, with sound readings of nothing."""
    b = Bench(settings, start_us)
    b.core.greeted = True
    return b.read(0.0, 30)


def armed(settings: Settings | None = None, start_us: int = 0) -> Bench:
    b = latched(settings, start_us)
    assert b.arm() == 0
    return b.quiet(400)


def drawing(newtons: float = 100.0, settings: Settings | None = None, start_us: int = 0) -> Bench:
    """Under a fresh draw lease, at this force."""
    b = armed(settings, start_us).tap()
    assert b.go() == 0
    climbed = 0.0
    while climbed < newtons:
        climbed = min(newtons, climbed + 40.0)
        b.at += 4000
        b.read(climbed)
        assert b.go() == 0
    b.read(newtons, 3)
    assert b.go() == 0
    assert b.core.state == safety.MOVING and b.core.fault == 0
    return b


def easing(newtons: float = 100.0) -> Bench:
    b = drawing(newtons)
    assert b.go(mode=wire.EASE, end=b.at - 2000) == 0
    return b


def holding(newtons: float = 100.0, settings: Settings | None = None) -> Bench:
    b = drawing(newtons, settings)
    assert b.go(mode=wire.HOLD, end=b.at, rate=9600) == 0
    assert b.core.state == safety.HOLDING
    return b


def frozen(newtons: float = 100.0) -> Bench:
    """Loaded, standing after the host's stop."""
    b = holding(newtons)
    b.core.stop(b.now_us, b.at, b.rate)
    assert b.core.state == safety.FROZEN
    return b.quiet(400)
