"""What is said when it cannot be done: what happened, what the board is like now, what to do."""

NO_PROMPT = (
    "evenbed answers on {port}, but its prompt does not. A board that speaks over its UART has the prompt on its USB port: "
    "name that one with --port."
)
NO_MICROPYTHON = """Nothing on {port} answers, neither evenbed nor MicroPython. MicroPython comes first:
  1. Unplug the board. Hold down its button BOOTSEL, plug it in, let go: a drive appears.
  2. From micropython.org, Download, take the newest .uf2 file for the Pico (the one with the RP2040).
  3. Copy that file onto the drive. The drive goes away by itself: MicroPython runs.
  4. Run 'evenbed flash' again.
If MicroPython is on it already: is {port} the board? Unplug it, wait a moment, plug it in, try again. A board whose drive
has power is never interrupted: disarm it, or press the emergency stop."""
NOT_THE_CHIP = (
    "MicroPython {version} runs on {port}, but on this: {machine}. The firmware is for an RP2040 and would drive wrong "
    "pins elsewhere. Nothing was changed."
)
FOREIGN = (
    "Another program is on the board ({names}), and nothing of evenbed: is it the right board? Nothing was changed. If it "
    "is to become the rig's board, take that program away first:\n  {rm}"
)
UNHEARD = (
    "evenbed's firmware has been started on {port}, but does not answer there: it has failed, or it speaks over its UART, "
    "or another version of the protocol. Its drive is off, but it cannot be asked whether a string is on. Nothing was "
    "changed. Look; if nothing is in the gripper, run this again with --no-string."
)
NO_PINS = """The board has no {pins} yet, and which wire lies on which pin is not guessed. Nothing was changed.
  wired, geared and rated as the reference board:   evenbed flash --pins reference
  otherwise, with a changed copy of its file,
  hardware/firmware/{pins}:        evenbed flash --pins FILE"""
STOPPED = "Stopped by Ctrl-C. Nothing was changed."
UNCHANGED = "{port}: {why}. Nothing was changed. Unplug the board, plug it in, try again."
HALFWAY = (
    "Stopped in the middle ({at}): {why}. The board has no main.py now: it starts nothing and arms nothing. Plug it in and "
    "run 'evenbed flash' again; it goes on with what is missing."
)
WHOLE = (
    "{port}: {why}. All files were on the board before that. Unplug it, plug it in, run 'evenbed flash' again to be sure."
)
NO_ANSWER = (
    "All files are on the board and verified, but it does not answer on {port}. Unplug it and plug it in. If it stays "
    "silent, it may have written down why:\n  {cat}"
)
OTHER_VERSION = "It answers as firmware {version}, not as the one copied. Unplug it, plug it in, run 'evenbed flash' again."
