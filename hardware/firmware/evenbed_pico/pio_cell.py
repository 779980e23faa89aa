"""PIO program that reads the 24-bit bridge converter, so that no pause in Python stretches its clock.

From the data sheet of such parts: the data line falls when a conversion is ready; each rising edge of the clock shifts out
a bit, most significant first, valid 0.1 us later; the 25th edge sets the data line high again and chooses the same input
and gain for the next conversion; a clock that stays high for over 60 us powers the converter down.
"""

import rp2

MYPY = False
if MYPY:
    from rp2.asm_pio import in_, jmp, label, noblock, nop, pin, pins, push, set, wait, wrap, wrap_target, x, x_dec, y, y_dec

FULL = 4  # readings that fit into the queue
LOST = 0x1FFFFFF  # the line never was low: nothing was ready


# The clock is high for 2 us and low for 2 us; a bit is taken 1 us after the rising edge. A reading begins only after the
# data line has been low for eight looks, 16 us: shorter is noise. The 24 bits and the one after the last are one word.
@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, in_shiftdir=rp2.PIO.SHIFT_LEFT)
def cell() -> None:
    wrap_target()
    label("again")
    wait(0, pin, 0)
    set(y, 7)
    label("sure")
    jmp(pin, "again")
    jmp(y_dec, "sure")
    set(x, 24)
    label("bit")
    nop().side(1)
    in_(pins, 1).side(1)
    jmp(x_dec, "bit").side(0)[1]
    push(noblock)
    wrap()


def sound(word: int) -> bool:
    """Was the data line high after the 24th bit, and low before it?"""
    return word & 1 == 1 and word != LOST


def counts(word: int) -> int:
    """The reading in ``word``, -8388608 to 8388607."""
    n = word >> 1
    return n - 0x1000000 if n & 0x800000 else n
