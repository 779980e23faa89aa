"""A rig and a control loop on one virtual clock, every byte through the wire, as fast as the machine can."""

from __future__ import annotations

from collections.abc import Callable

from evenbed.control.loop import ControlLoop
from evenbed.head.types import Event

from evenbed_sim.rig import Rig

HOST_US = 300.0  # what the host takes to answer a line


class VirtualRun:
    """Couples one rig with one control loop."""

    def __init__(self, rig: Rig, ceiling_n: float, listener: Callable[[float, Event], None] | None = None) -> None:
        self.rig = rig
        self.events: list[tuple[float, Event]] = []
        self._listener = listener
        self.loop = ControlLoop(ceiling_n, self._hear)
        self.on_line: Callable[[float], None] | None = None
        self.wire_down: Callable[[float, bytes], list[tuple[float, bytes]]] | None = None
        self.wire_up: Callable[[float, bytes], list[tuple[float, bytes]]] | None = None

    def _hear(self, now_s: float, event: Event) -> None:
        self.events.append((now_s, event))
        if self._listener is not None:
            self._listener(now_s, event)

    def run(self, until_s: float, stop: Callable[[], bool] | None = None) -> bool:
        """Run up to ``until_s``; with ``stop``, until it answers True. Returns whether it did."""
        rig = self.rig
        until_us = until_s * 1e6
        while rig.t_us < until_us:
            rig.run_until(min(until_us, rig.t_us + 50000.0), stop_on_line=True)
            lines = rig.collect_lines()
            if not lines:
                self._pass(rig.t_us, b"")
            for at_us, line in lines:
                for when_us, data in self.wire_down(at_us, line) if self.wire_down else [(at_us, line)]:
                    self._pass(when_us, data)
            if stop is not None and stop():
                return True
        return False

    def _pass(self, at_us: float, data: bytes) -> None:
        reply = self.loop.receive(at_us * 1e-6, data)
        if self.on_line is not None:
            self.on_line(at_us * 1e-6)
        if reply:
            at = at_us + HOST_US
            for when_us, out in self.wire_up(at, reply) if self.wire_up else [(at, reply)]:
                self.rig.deliver(out, when_us)
