"""What the board knows of its own rig. On the chip these values come from a file; no host can raise a limit."""

from evenbed_fw import budget

MAX_INT = 1073741823  # largest small integer of the chip
MAX_RAW = 8388607  # end of the converter's range
LOOP_US = 12000  # longest from a reading to the rate that it grants
SPEEDS = 120  # entries of the envelope table, evenly spaced up to the top speed
LONGEST_STEP_US = 10000  # longest time that the ramp takes in one step

# Name, least and most of each value, in the order of the check sum. The rest of what must fit together: unusable().
RANGES = (
    ("zero_counts", -MAX_RAW, MAX_RAW),
    ("gain_mcounts_n", 1, MAX_INT),
    ("rated_mcounts_n", 1, MAX_INT),
    ("period_us", 1000, 200000),
    ("limit_mn", 1, MAX_INT),
    ("overrun_mn", 0, 100000),
    ("stiffest_n_mm", 20, 100000),
    ("softest_mn_mm", 1, MAX_INT),
    ("steps_mm", 1, 100000),
    ("rate_max_steps_s", 16, MAX_INT // LONGEST_STEP_US),
    # Twice the acceleration, by 256, divides; the change of rate in the longest step, by 16, and a part carried over.
    ("accel_steps_s2", 128, (MAX_INT - 999999) // LONGEST_STEP_US * 16 + 15),
    ("stiffening_x10", 10, 255),
    ("age_samples", 1, 7),  # readings kept, less one
    ("hold_rate_steps_s", 16, MAX_INT),
    ("hold_travel_steps", 0, 1 << 27),
    ("back_off_steps", 0, 1 << 27),
    ("let_down_steps_s", 16, MAX_INT),
    ("contact_mn", 1000, 10000),  # 2.5 times that is "loaded": nothing is switched off above it
    ("limit_most_mn", 1, MAX_INT),
)


class Settings:
    """Limits and constants of one rig, with what is derived from them. Change the plain values, then call derive()."""

    def __init__(self) -> None:
        # the cell, from its calibration and from its data sheet
        self.zero_counts = 0  # reference zero
        self.gain_mcounts_n = 8759000  # 1/1000 count per newton
        self.rated_mcounts_n = 8759000  # the same from the cell's rating: mV/V, gain and capacity
        self.period_us = 12500  # between two conversions
        # the limits
        self.limit_mn = 330000  # no ceiling above this
        self.overrun_mn = 40000  # most rise above the ceiling while everything stops
        self.stiffest_n_mm = 130  # the stiffest thing the gripper can meet: frame and cell in series
        self.softest_mn_mm = 1500  # the softest string: bounds the travel under load
        # the screw
        self.steps_mm = 1600
        self.rate_max_steps_s = 96000
        self.accel_steps_s2 = 1280000
        # how the board judges
        self.stiffening_x10 = 30  # the string may become this much stiffer between samples, in tenths
        self.age_samples = 3  # converter settling (group delay 2) and the loop
        self.hold_rate_steps_s = 9600
        self.hold_travel_steps = 32000
        self.back_off_steps = 4800
        self.let_down_steps_s = 16000
        self.contact_mn = 4000  # above this the string is taken to be under load
        self.limit_most_mn = 330000  # no host can propose a limit above this
        self.derive()

    def counts(self, mn: int) -> int:
        """Force in millinewtons to counts above zero, rounded down."""
        return mn * self.gain_mcounts_n // 1000000

    def millinewtons(self, counts: int) -> int:
        """Counts above zero to millinewtons, rounded to zero."""
        n = abs(counts) * 1000000 // self.gain_mcounts_n
        return n if counts >= 0 else -n

    def derive(self) -> None:
        """Work out the values that the sampling loop uses, once, so that the loop needs no large integer.

        Settings that are unusable() are left as they are.
        """
        if self.unusable():
            return
        self.contact_counts = self.counts(self.contact_mn)
        self.overrun_counts = self.counts(self.overrun_mn)
        # Stiffness is kept as counts per millimetre / 16 and rounded up: large enough to be exact, small enough
        # that headroom * 1000 stays below 2**30.
        self.stiffest_k16 = (self.stiffest_n_mm * self.gain_mcounts_n // 1000 >> 4) + 1
        # The converter's own clock may run 10 % slow.
        slowest_us = self.period_us * 10 // 9
        self.age_us = self.age_samples * slowest_us
        self.granted_us = 2 * slowest_us
        self.missing_us = 2 * slowest_us + slowest_us // 2
        # No string on this rig rises faster between two readings than the stiffest one at full speed.
        v_top_um_s = (self.rate_max_steps_s * 1000 + self.steps_mm - 1) // self.steps_mm
        um_per_period = v_top_um_s * slowest_us // 1000000
        self.jump_counts = self.counts(self.stiffest_n_mm * um_per_period)
        self.lost_floor_counts = self.counts(30000)
        accel_um_s2 = self.accel_steps_s2 * 1000 // self.steps_mm
        self.travel_um = budget.travel_table(SPEEDS, v_top_um_s, self.age_us, self.granted_us, accel_um_s2)
        # The same for travel that is still to come: one pass of the loop, then the grant.
        self.travel_late_um = budget.travel_table(SPEEDS, v_top_um_s, LOOP_US, self.granted_us, accel_um_s2)
        # No more is gone between readings than at top speed; bounded so that its product stays a small integer.
        self.gone_most = min(self.rate_max_steps_s * self.age_us // 1000000 + 1, MAX_INT // self.stiffest_k16)
        # A rise that no string makes, in counts / 16, is cut where its product would be a large integer.
        self.rise_most = MAX_INT // self.steps_mm
        self.rates = [self.rate_max_steps_s * i // SPEEDS for i in range(SPEEDS + 1)]

    def gain_plausible(self) -> bool:
        """Is the calibrated sensitivity within 20 % of the cell's rating?"""
        return 4 * self.rated_mcounts_n <= 5 * self.gain_mcounts_n <= 6 * self.rated_mcounts_n

    def unusable(self) -> str:
        """Why the board cannot reckon with these values: which one, and its limit. Empty if it can."""
        n = [int(value) for value in self.values()]
        for i in range(len(RANGES)):
            name, least, most = RANGES[i]
            if n[i] < least:
                return "%s %d, at least %d" % (name, n[i], least)
            if n[i] > most:
                return "%s %d, at most %d" % (name, n[i], most)
        zero, gain, _, period, limit, overrun, stiffest, softest, steps_mm, rate, accel = n[:11]
        slowest_us = period * 10 // 9
        v_top_um_s = (rate * 1000 + steps_mm - 1) // steps_mm
        jump = stiffest * (v_top_um_s * slowest_us // 1000000) * gain // 1000000
        # What is worked out from several of them: name, value, least, most.
        for name, value, least, most in (
            ("limit in raw counts", limit * gain // 1000000 + zero, zero + 1, MAX_RAW),
            ("room in counts", (limit * gain + overrun * gain) // 1000000 + zero + MAX_RAW + 1, 0, MAX_INT // 1000 * 16),
            ("limit_mn", limit, 1, n[18]),
            ("contact in counts", n[17] * gain // 1000000, 2, MAX_RAW),
            ("leap in counts", jump, 1, MAX_INT // 2),
            ("stiffest in counts/mm", stiffest * gain // 1000, 16, MAX_INT),
            ("travel under load in steps", limit // softest * steps_mm, 1, 1 << 27),
            ("acceleration in um/s2", accel * 1000 // steps_mm, 1, MAX_INT),
            ("hold_rate_steps_s", n[13], 16, rate),
            ("let_down_steps_s", n[16], 16, rate),
            ("back_off_steps", n[15], 0, 10 * steps_mm),
        ):
            if value < least:
                return "%s %d, at least %d" % (name, value, least)
            if value > most:
                return "%s %d, at most %d" % (name, value, most)
        return ""

    def crc_text(self) -> str:
        """All settings as one text, for the check sum that the handshake carries."""
        return " ".join([str(n) for n in self.values()])

    def values(self) -> "tuple[int, ...]":
        """The plain values in a fixed order."""
        return (
            self.zero_counts,
            self.gain_mcounts_n,
            self.rated_mcounts_n,
            self.period_us,
            self.limit_mn,
            self.overrun_mn,
            self.stiffest_n_mm,
            self.softest_mn_mm,
            self.steps_mm,
            self.rate_max_steps_s,
            self.accel_steps_s2,
            self.stiffening_x10,
            self.age_samples,
            self.hold_rate_steps_s,
            self.hold_travel_steps,
            self.back_off_steps,
            self.let_down_steps_s,
            self.contact_mn,
            self.limit_most_mn,
        )
