"""The chip's own verbs: evenbed_fw's hardware on an RP2040 under MicroPython.

Copied to the board beside evenbed_fw, with boot.py, main.py and evenbed_board.json in the board's root. What the board
does at a reset, and what that means for a string on the rig: `start`.
"""
