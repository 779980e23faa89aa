"""PIO programs of the motion: the pulses, the count of what was really made, and what stops them without Python.

PIO 0 holds the three that must share its flags (31 of 32 instructions), PIO 1 the counter beside the cell's reader.
Flag 4 of PIO 0 is the stop: whoever sets it, no further pulse begins until the program clears it.

The assembler runs these functions with its own globals: only numbers and its own names may stand in them.
"""

import rp2

from evenbed_pico.clock import STEP_HZ

MYPY = False  # true to a type checker alone: the chip has these names within the functions below
if MYPY:
    from rp2.asm_pio import (
        block,
        irq,
        isr,
        jmp,
        label,
        mov,
        not_x,
        not_y,
        osr,
        out,
        pin,
        pull,
        set,
        status,
        wait,
        wrap,
        wrap_target,
        x,
        x_dec,
        y,
        y_dec,
    )

# Cycles of STEP_HZ, from one pulse to the next: what is left of a period when no loop is waited; what one loop takes.
FIXED_CYCLES = 266
LOOP_CYCLES = 3
HIGH_CYCLES = 257  # a pulse is 5.14 us long

STOP_FLAG = 0x10  # flag 4 in the register of the flags
IRQ_REGISTER = 0x50200030  # PIO 0
EXEC_CONTROL = 0x502000CC  # PIO 0, state machine 0
STATUS_BELOW = 2  # "status" is all ones while fewer words than this wait: half a grant is no grant

# Single instructions that the program has a state machine execute.
PULL_NOBLOCK = 0x8080
PUSH_NOBLOCK = 0x8000
SET_X_0 = 0xE020
PIN_LOW = 0xB042  # no operation, side 0
MOV_Y_OSR = 0xA047
CLEAR_STOP = 0xC044
IN_X_15 = 0x402F
IN_Y_15 = 0x404F


# Two words are a grant. The first: steps, times two, plus one if the wait under way begins anew; the second: loops to
# wait in each period. A grant replaces the one before at once, but neither shortens a pulse nor the wait after it: what
# remains of that wait is kept. When the steps have run out it stands at "fetch" until the next grant.
@rp2.asm_pio(sideset_init=rp2.PIO.OUT_LOW, out_shiftdir=rp2.PIO.SHIFT_RIGHT)
def steps() -> None:
    label("fetch")
    pull(block)
    out(y, 1)
    out(isr, 31)
    pull(block)
    jmp(not_y, "wait")
    mov(x, osr)
    wrap_target()
    label("wait")
    mov(y, status)
    jmp(not_y, "fetch")
    jmp(x_dec, "wait")
    mov(x, isr)
    jmp(not_x, "fetch")  # run out; X is 0: the next grant waits for nothing
    jmp(x_dec, "go")
    label("go")
    mov(isr, x)
    wait(0, irq, 4)  # type: ignore[arg-type]  # stands here for as long as there is a stop
    set(y, 31).side(1)
    label("high")
    jmp(y_dec, "high").side(1)[7]
    mov(x, osr).side(0)
    wrap()


# The emergency-stop loop: closed is low. Ten looks in a row at an open one, 20 us, are a stop: shorter is noise.
@rp2.asm_pio()
def gate() -> None:
    wrap_target()
    label("shut")
    set(x, 9)
    label("look")
    jmp(pin, "open")
    jmp("shut")
    label("open")
    jmp(x_dec, "look")
    irq(4)
    wrap()


# The end switch ahead: operated is high. The ramp may take Y + 1 more steps past it, then there is a stop. A switch that
# was let go again in between counts anew.
@rp2.asm_pio()
def guard() -> None:
    wrap_target()
    label("off")
    mov(x, y)
    label("idle")
    jmp(pin, "on")
    jmp("idle")
    label("on")
    wait(0, pin, 0)
    wait(1, pin, 0)
    jmp(pin, "more")
    jmp("off")
    label("more")
    jmp(x_dec, "on")
    irq(4)
    wrap()


# Counts the pulses on the pin itself, whoever made them: Y down with the direction pin low, X with it high. One
# instruction each, so that a look from outside never finds a half-made count.
@rp2.asm_pio(in_shiftdir=rp2.PIO.SHIFT_LEFT)
def counter() -> None:
    wrap_target()
    label("next")
    wait(0, pin, 0)
    wait(1, pin, 0)
    jmp(pin, "high")
    jmp(y_dec, "next")
    jmp("next")
    label("high")
    jmp(x_dec, "next")
    wrap()


def loops(rate: int) -> int:
    """Loops to wait in each period for at most ``rate`` steps/s. The period is at most LOOP_CYCLES longer than asked."""
    cycles = (STEP_HZ + rate - 1) // rate
    n = (cycles - FIXED_CYCLES + LOOP_CYCLES - 1) // LOOP_CYCLES
    return n if n > 0 else 0
