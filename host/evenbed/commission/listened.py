"""The steps in which nothing is armed and nothing moves: port, inputs, reading, rate and noise."""

from __future__ import annotations

from evenbed_fw import safety

from evenbed.calibration.health import LEAST, Configured, Finding, judge
from evenbed.calibration.noise import noise
from evenbed.calibration.readings import Heard, sort
from evenbed.calibration.steps import CONVERTER
from evenbed.commission.moments import ENDS, Failed, Moment, Script, Step, mean
from evenbed.job import proving
from evenbed.units import parse_force

ANSWER_S = 4.0
REST_S = 0.6  # longer than the board takes to call a pedal's contacts contradictory
ALIVE_S, EMPTY_TIMES = 1.5, 8
ZERO_N = 1.5  # of the empty head; the head calls 3 N contact
PULL_N = 10.0  # what a hand has to show at the gripper
PULLED = 3  # readings in a row
HUNG_N = (15.0, 150.0)
SIZE_SHARE = 0.2  # as far as the board lets a calibration be from the cell's rating
RATE_S, RATE_MOST_S = 10.0, 30.0
SIDES = (
    (safety.F_END_LOW, "slack", "pulling", "low"),
    (safety.F_END_HIGH, "pulling", "slack", "high"),
)


class Port(Step):
    """A board answers."""

    name, title = "port", "port and board"

    def script(self) -> Script[str]:
        late = "nothing here answers as an evenbed board: is the firmware on it, is it the right port, is it powered?"
        yield from self.until(lambda m: self.setup.model is not None, late, ANSWER_S)
        return self.setup.board


class Inputs(Step):
    """Pedal, emergency stop, supply and end switches, one by one."""

    name, title = "inputs", "inputs"
    flags = ("inputs",)
    needs = ("port",)

    def script(self) -> Script[str]:
        # First of all without the drive's supply: whatever the board takes a press for, nothing can move.
        self.say("Switch the drive's supply off, at its own switch.", "supply off")
        late = "the board does not see that the supply is off: check the wire of its supply sense"
        m = yield from self.until(lambda m: m.has(safety.F_SUPPLY), late)
        if m.has(safety.F_ESTOP):
            raise Failed(
                "the emergency stop is seen as pressed: release it. Else its loop is open (a broken wire counts as "
                "pressed), or its wire and that of the supply sense are exchanged"
            )
        yield from self._pedal()
        yield from self.to_middle(
            "Turn the carriage with the hand knob to about the middle: neither end switch is operated."
        )
        for flag, side, other, deed in SIDES:
            yield from self._end_switch(flag, side, other, deed)
        self.say("Switch the drive's supply on, with its reset if it has one.", "supply on")
        m = yield from self.until(lambda m: not m.has(safety.F_SUPPLY), "the board does not see the supply come on")
        if m.has(safety.F_ENABLED):
            raise Failed(
                "the drive came on by itself with its supply: its enable line needs the resistor that holds it off"
            )
        yield from self.proved(proving.ESTOP, ("press estop", "release estop"))
        self.found["measured.inputs"] = True
        return "pedal, emergency stop, supply and both end switches are seen, each by itself"

    def _pedal(self) -> Script[None]:
        m = yield from self.alive()
        begun_s, presses = m.t_s, m.presses
        while m.has(safety.F_PEDAL_FAULT):
            if m.t_s - begun_s > REST_S:
                raise Failed(
                    "the pedal is not seen at rest: released, its contact B has to be closed and A open. Check that it is "
                    "plugged in, that A and B are not exchanged, and that nothing stands on it"
                )
            m = yield from self.alive()
        self.say("Press the pedal for about half a second, and let go.", "press pedal")
        while m.presses == presses or m.has(safety.F_PEDAL):
            m = yield from self.alive()
            if m.has(safety.F_PEDAL_FAULT):
                raise Failed(
                    "the pedal is dead: it leaves its rest, but contact A is not seen to close within 0.2 s. Check the "
                    "wire from contact A (closed when pressed) to the board, and the common one"
                )
            if m.t_s - begun_s > proving.PATIENCE_S:
                raise Failed(
                    f"the pedal is dead: no press was seen in {proving.PATIENCE_S:.0f} s. Check that contact B opens when "
                    "it is pressed, and the wires of both contacts"
                )

    def _end_switch(self, flag: int, side: str, other: str, deed: str) -> Script[None]:
        where = "towards the frame" if side == "slack" else "away from the frame"
        self.say(f"Press the end switch on the {side} side ({where}) with a finger, and let go.", f"finger {deed}")
        late = f"the end switch on the {side} side is not seen: check its plug and wire, and that it was pressed far enough"
        m = yield from self.until(lambda m: m.has(ENDS), late)
        if m.has(ENDS & ~flag):
            raise Failed(
                f"the end switch on the {side} side is heard as the one on the {other} side: the two are exchanged at the "
                "board. Change their plugs over"
            )
        yield from self.until(lambda m: not m.has(ENDS), f"the end switch on the {side} side stays operated: it hangs")


class Reading(Step):
    """The reading is alive, near its zero, and rises with a pull."""

    name, title = "reading", "reading"
    flags = ("reading",)
    needs = ("port",)

    def script(self) -> Script[str]:
        self.say("Take everything off the gripper; hands away.", "hands off")
        zero_n = yield from self._empty()
        if abs(zero_n) > ZERO_N:
            raise Failed(
                f"the empty head shows {zero_n:+.1f} N from the board's zero, at most {ZERO_N:.1f} N may remain: run "
                "evenbed calibrate (nothing moves in it), then evenbed commission --from reading"
            )
        self.say(
            "Pull the gripper by hand towards the frame, as a string would, with some 30 N (as 3 kg weigh), for a second.",
            "pull gripper",
        )
        rise_n = yield from self._pulled(zero_n)
        if rise_n < 0.0:
            raise Failed(
                f"the reading falls by {-rise_n:.0f} N when the gripper is pulled: the cell's two signal wires are "
                "swapped. Change S+ and S- over at the converter (or turn the cell round)"
            )
        self.say("Let go.", "let go")
        late = f"the reading does not come back within {ZERO_N:.1f} N of zero: does the gripper rub, is the cell bent?"
        yield from self.until(lambda m: m.force_n is not None and abs(m.force_n - zero_n) < ZERO_N, late, 30.0)
        hung_n, shown_n = yield from self._weight(zero_n)
        self.say("Take it off again.", "let go")
        yield from self.until(lambda m: m.force_n is not None and abs(m.force_n - zero_n) < ZERO_N, late)
        self.found["measured.reading"] = True
        return (
            f"{zero_n:+.2f} N empty; a pull by hand raises it by {rise_n:.0f} N, and it comes back; {shown_n:.1f} N shown "
            f"for {hung_n:.1f} N"
        )

    def _weight(self, zero_n: float) -> Script[tuple[float, float]]:
        """The force of something known, N, and what is shown for it. Raises Failed where the two have little to do with
        each other: low forces are low only if the reading is about right."""
        hung_n = yield from self.ask(
            "Hang something that you know, from 2 to 10 kg, by a line on the gripper where a string pulls, and let it come "
            "to rest. Then type what it is, such as 5kg or 11lb.",
            "hang weight",
            _known,
        )
        heard = yield from self.hear(ALIVE_S)
        _alive(heard)
        model = self.setup.known
        shown_n = (mean([float(h.counts) for h in heard]) - model.zero_counts) / model.counts_per_n - zero_n
        if abs(shown_n / hung_n - 1.0) > SIZE_SHARE:
            raise Failed(
                f"{shown_n:.1f} N are shown for {hung_n:.1f} N, more than {100.0 * SIZE_SHARE:.0f} % off: the cell's "
                "rating or the converter's gain is not what the board is set to (rated_mcounts_n, gain_mcounts_n), or the "
                "line rubs. Put that right before anything is drawn: every limit is reckoned with it"
            )
        return hung_n, shown_n

    def _empty(self) -> Script[float]:
        """What the empty head shows, N, as soon as it is little, or after a while."""
        model = self.setup.known
        for _ in range(EMPTY_TIMES):
            heard = yield from self.hear(ALIVE_S)
            _alive(heard)
            zero_n = (mean([float(h.counts) for h in heard]) - model.zero_counts) / model.counts_per_n
            if abs(zero_n) <= ZERO_N:
                break
        return zero_n

    def _pulled(self, zero_n: float) -> Script[float]:
        last: list[float] = []

        def seen(m: Moment) -> bool:
            if m.heard and m.force_n is not None:
                last.append(m.force_n - zero_n)
            return len(last) >= PULLED and all(abs(f) > PULL_N for f in last[-PULLED:])

        late = (
            f"no change of {PULL_N:.0f} N was seen: is the cell in the line of pull, between gripper and carriage, and are "
            "its two signal wires connected?"
        )
        yield from self.until(seen, late)
        return last[-1]


def _known(text: str) -> float:
    """The force of what was hung, N. Raises ValueError."""
    force_n, _ = parse_force(text)
    if not HUNG_N[0] <= force_n <= HUNG_N[1]:
        raise ValueError(f"{text!r}: hang something from {HUNG_N[0]:.0f} to {HUNG_N[1]:.0f} N, such as 5kg (49 N).")
    return force_n


def _alive(heard: list[Heard]) -> None:
    """Raises Failed where the readings are none, or always the same."""
    counts = [h.counts for h in heard]
    if len(counts) < safety.SAME:
        raise Failed(
            f"{len(counts)} readings came in {ALIVE_S:.1f} s: check the converter's supply, and its clock and data wires "
            "to the board"
        )
    if counts[-1] <= CONVERTER[0] or counts[-1] >= CONVERTER[1]:
        raise Failed(
            "the reading stands at the end of the converter's range: check the cell's four wires, the two of its supply "
            "first, for a break or a swap"
        )
    if min(counts) == max(counts):
        raise Failed(
            f"the reading stands at {counts[-1]} counts without any noise: the converter repeats itself. Check its data "
            "wire, and that its inputs are connected to the cell"
        )


class Rate(Step):
    """Rate and noise of the readings. Before anything moves: the board's envelope is reckoned with the rate."""

    name, title = "rate", "rate and noise"
    numbers = ("rate_hz", "noise_n")
    needs = ("port", "reading")

    def script(self) -> Script[str]:
        model = self.setup.known
        set_hz = 1.0 / model.period_s
        self.say(f"Hands off for {RATE_S:.0f} s.", "hands off")
        heard = yield from self.hear(RATE_S, LEAST + 10, RATE_MOST_S)
        found = judge(heard, Configured(model.period_s, model.zero_counts, model.counts_per_n))
        wrong = [f for f in found if f.verdict == "fail"]
        if wrong:
            # A wrong rate explains what else is wrong.
            raise Failed("; ".join(_sentence(f) for f in (wrong[:1] if wrong[0].name.startswith("rate") else wrong)))
        low, high = self.setup.rates_hz
        if not low <= set_hz <= high:
            raise Failed(
                f"the board is set to {set_hz:.0f} readings a second, the head needs {low:.0f} to {high:.0f}: wire the "
                "converter's rate pin for its fast rate, and set period_us on the board to match"
            )
        good = sort(heard).good
        noise_n = noise([h.t_s for h in good], [float(h.counts) for h in good]).rms_counts / abs(model.counts_per_n)
        rate_hz = found[0].number or set_hz
        self.found = {"measured.rate_hz": round(rate_hz, 2), "measured.noise_n": round(noise_n, 5)}
        look = "; ".join(f"look at: {_sentence(f)}" for f in found if f.verdict == "look")
        return f"{rate_hz:.2f} readings a second, noise {1000.0 * noise_n:.1f} mN RMS" + (f"; {look}" if look else "")


def _sentence(f: Finding) -> str:
    return f"{f.name} {f.value}; limit {f.limit}. {f.next_step}".rstrip(" .")
