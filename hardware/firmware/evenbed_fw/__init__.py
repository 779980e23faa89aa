"""The board: wire, fault list, safety core, motion and main loop.

Runs under MicroPython on the chip and under CPython in the simulated rig. Integers only; imports nothing of ours.
"""

VERSION = 100  # major * 10000 + minor * 100 + patch
