"""The verbs of the hardware. The chip and the simulated rig each bring their own; the board knows only these."""

# bits of inputs()
I_PEDAL_A = 1  # contact A closed (pressed)
I_PEDAL_B = 2  # contact B closed (at rest)
I_ESTOP_OK = 4  # the emergency-stop loop is closed
I_SUPPLY_OK = 8  # the drive's supply is there
I_END_LOW = 16  # end switch on the slack side operated
I_END_HIGH = 32  # end switch on the pulling side operated


class Hardware:
    """What the main loop asks of a board. None of these waits."""

    def now_us(self) -> int:
        """Microseconds, wrapping at 2**30."""
        raise NotImplementedError

    def sample_ready(self) -> bool:
        """Does a conversion wait to be read?"""
        raise NotImplementedError

    def read_sample(self) -> int:
        """The waiting conversion, counts, -8388608 to 8388607."""
        raise NotImplementedError

    def position(self) -> int:
        """Steps made since power-up, signed; positive pulls."""
        raise NotImplementedError

    def grant(self, rate: int, steps: int) -> None:
        """Pulse at the signed ``rate`` (steps/s) for at most ``steps``, then stand, whatever the program does."""
        raise NotImplementedError

    def enable(self, on: bool) -> None:
        """Power of the drive."""
        raise NotImplementedError

    def inputs(self) -> int:
        """The I_ bits as they are now."""
        raise NotImplementedError

    def read_byte(self) -> int:
        """Next byte from the host, or -1."""
        raise NotImplementedError

    def tx_free(self) -> int:
        """Bytes that can be handed over now without waiting."""
        raise NotImplementedError

    def send(self, buf: bytearray, n: int) -> None:
        """Hand over the first ``n`` bytes of ``buf``."""
        raise NotImplementedError

    def store(self, text: str) -> None:
        """Keep these settings over a reset: the values of ``Settings``, in their order, as text."""
        raise NotImplementedError

    def collect(self) -> None:
        """A reading has just been dealt with: a good moment to collect garbage."""
        raise NotImplementedError
