"""What the board does once it has started; Ctrl-C with the drive off leads to the prompt."""

from evenbed_pico.start import run

run()
