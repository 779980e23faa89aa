"""The entries of the fault catalogue, in the order of their numbers. What a sentence becomes of one: ``catalogue.py``.
Numbers: 1 to 19 the board's own (``evenbed_fw.faults``), 20 + n the board's refusal n (``evenbed_fw.wire``), 41 and up the
link, 51 the head, 71 calibration and zero, 81 statuses, which stop nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from evenbed_fw import faults, wire

TRIP, STOP, REFUSAL, STATUS = "trip", "stop", "refusal", "status"
KINDS = {
    TRIP: "latched; first cause first; must be cleared, at rest and slack",
    STOP: "everything stands; reaching slack ends it",
    REFUSAL: "nothing moves; what was asked for is not done",
    STATUS: "said, no stop",
}

GET_DOWN = "To let the string down, hold the pedal; if that does nothing, press the emergency stop and turn the hand knob."
BY_HAND = "The pedal cannot help: press Ctrl-C here, or press the emergency stop and turn the hand knob."
_READ = "(from the reference zero, reading {age_s} old)"
_CLEAR = "slack, sound readings, cause gone: pedal 2 s or screen"


@dataclass(frozen=True)
class Entry:
    """One fault. ``event``: name under which it is told; ``says`` and ``do_next`` are filled by ``say``."""

    number: int
    name: str
    raised_by: str
    kind: str
    says: str
    do_next: str
    clears: str
    proved_by: str
    event: str = ""

    @property
    def told_as(self) -> str:
        """Name of the event."""
        return self.event or self.name


_TRIPS = "tests/host/test_trips.py::test_a_fault_stops_the_pull_and_the_string_comes_down"
_CORE = "tests/firmware/test_safety_trips.py"
_ARM = "tests/host/test_arming.py::test_arming_is_refused_with_its_reason"
_HEAD = "tests/host/test_catalogue.py"


def _board(number: int, says: str, do_next: str, kind: str = TRIP, proved_by: str = _TRIPS, clears: str = _CLEAR) -> Entry:
    return Entry(number, faults.NAMES[number], "board", kind, says, do_next, clears, proved_by)


def _refusal(reason: int, name: str, says: str, do_next: str, proved_by: str = _ARM) -> Entry:
    return Entry(20 + reason, name, "board", REFUSAL, says, do_next, "the reason gone, asked again", proved_by, "refused")


ALL: tuple[Entry, ...] = (
    # --- the board's own
    _board(
        faults.OVER_TENSION,
        f"Over-tension: {{force_n}}, ceiling {{bound_n}} {_READ}. The motor stopped and backed off a little.",
        f"Look at what the string is caught on. {GET_DOWN}",
    ),
    _board(
        faults.NO_DATA,
        f"No reading from the load cell; the last was {{force_n}} {_READ}. The motor stands and holds.",
        f"Check the cable between cell, converter and board. {GET_DOWN}",
    ),
    _board(
        faults.STUCK,
        f"The reading is frozen at {{force_n}} {_READ}: seven times the same, which no live cell gives. The motor "
        "stands and holds.",
        f"Check the converter's supply and wiring. {GET_DOWN}",
    ),
    _board(
        faults.SATURATED,
        "The converter is at the end of its range. The motor stands and holds.",
        f"Check the cell's four wires and the converter's gain. {GET_DOWN}",
    ),
    _board(
        faults.IMPLAUSIBLE,
        f"Readings that no string can give, the last {{force_n}} {_READ}. The motor stands and holds.",
        f"Check the cell's cable and shield; a force that falls while pulling means swapped signal wires. {GET_DOWN}",
    ),
    _board(
        faults.STRING_LOST,
        f"The string is lost: the force fell to {{force_n}} at once {_READ}. The motor stands; it does not follow.",
        f"Eyes first: look for a broken string, an open clamp, a slipped gripper. {GET_DOWN}",
    ),
    _board(
        faults.LEASE_EXPIRED,
        f"The board heard nothing from this computer for 0.15 s and froze at {{force_n}} {_READ}.",
        f"Close what keeps the computer busy, check the USB cable. {GET_DOWN}",
    ),
    _board(
        faults.PEDAL,
        f"The pedal's two contacts contradict each other, or it was held for over 10 s. The motor stands at "
        f"{{force_n}} {_READ}.",
        f"Check the pedal's plug and cable. {BY_HAND}",
    ),
    _board(
        faults.EMERGENCY_STOP,
        f"Emergency stop. The drive has no power; the last reading was {{force_n}} {_READ}.",
        "Make the place safe. Nothing moves by itself; the carriage's position is unknown now. To let the string down, "
        "turn the hand knob; or release the button and hold the pedal. If nobody pressed it, the spring pack has yielded.",
    ),
    _board(
        faults.SUPPLY_LOST,
        f"The drive's supply is gone; the last reading was {{force_n}} {_READ}.",
        "Check the supply, its fuse and its on-button. Nothing moves when it comes back. To let the string down, turn the "
        "hand knob; or, with the supply back, hold the pedal.",
    ),
    _board(
        faults.PRESSED,
        "Stopped by the pedal at {force_n}.",
        "Tap to let the string down, then draw again.",
        STOP,
        "tests/host/test_head_pull.py::test_a_press_freezes_what_moves_and_a_tap_lets_down",
        "slack again",
    ),
    _board(
        faults.STOPPED,
        "Stopped at {force_n}.",
        "Tap to let the string down, then draw again.",
        STOP,
        "tests/host/test_head_pull.py::test_stop_freezes_every_loaded_state",
        "slack again",
    ),
    _board(
        faults.STRETCH,
        f"More travel under load than the softest string needs, at only {{force_n}} {_READ}: the cell may read low, or the "
        "string slips.",
        f"Look at gripper and clamps; check the cell against a known weight. {GET_DOWN}",
        proved_by=f"{_CORE}::test_stretch_bounds_the_travel_under_load",
    ),
    _board(
        faults.WRONG_WAY,
        f"The force rose by more than 30 N, to {{force_n}} {_READ}, while the motor was told to let down: it turns the "
        "wrong way. The motor stands and holds, and is not asked to let down again.",
        "Press the emergency stop and turn the hand knob. Check the motor's direction wire before anything is armed.",
        proved_by="tests/campaign/test_worst.py::test_a_motor_that_turns_the_wrong_way_is_stopped_below_the_bound",
    ),
    # --- what the board refuses
    _refusal(
        wire.NOT_UNDERSTOOD,
        "not_understood",
        "The board did not understand {wanted}.",
        "Firmware and program may not fit together: update both.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.WRONG_STATE,
        "wrong_state",
        "The board does not {wanted} in the state it is in.",
        "Wait until it stands, look at the screen, then ask again.",
        "tests/firmware/test_safety_orders.py::test_arm",
    ),
    _refusal(
        wire.NO_PRESS,
        "no_press",
        "The board does not draw: no press of the pedal has allowed it.",
        "Tap the pedal once, a second after the last press.",
        "tests/firmware/test_safety_permits.py",
    ),
    _refusal(
        wire.ABOVE_LIMIT,
        "above_limit",
        "The board does not {wanted}: the ceiling of {asked_n} is above what it allows, the rig's limit of {limit_n}.",
        "Choose a lower ceiling. The limit is stored on the board and no program raises it.",
    ),
    _refusal(
        wire.FAULT_LIVE,
        "fault_live",
        "The board does not {wanted}: {causes}.",
        "Put that right, then hold the pedal for two seconds again.",
    ),
    _refusal(
        wire.LOADED,
        "loaded",
        "The board does not {wanted}: a string is still loaded, {force_n}.",
        f"Let it down first. {GET_DOWN}",
        "tests/host/test_trips.py::test_a_trip_is_not_cleared_while_the_string_is_loaded_or_the_cause_is_there",
    ),
    _refusal(
        wire.DATA_NOT_SOUND,
        "data_not_sound",
        "The board does not {wanted}: the readings of the cell are not sound.",
        "Check the cell's cable and the converter's supply; a second after the last trouble it is asked again by a press.",
    ),
    _refusal(
        wire.STALE,
        "stale",
        "The board does not {wanted}: a newer line had overtaken this one.",
        "Ask once more.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.WRONG_WAY,
        "only_down",
        "The board does not pull upwards from here: only down.",
        "Let the string down, then draw again.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.NOT_GREETED,
        "not_greeted",
        "The board does not {wanted}: it has not been greeted, so it may have started anew.",
        "Look at the string; the greeting is repeated by itself. Then ask again.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.EXPIRY_TOO_LONG,
        "expiry_too_long",
        "The board takes no lease that is longer than it allows.",
        "Firmware and program do not fit together: update both.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.GAIN_IMPLAUSIBLE,
        "gain_implausible",
        "The board does not {wanted}: its calibrated sensitivity is more than 20 % away from the cell's rating.",
        "Were kilograms typed as pounds? Calibrate again, or correct the rating on the board if another cell was fitted.",
    ),
    _refusal(
        wire.OUT_OF_TRAVEL,
        "at_end_switch",
        "The board does not draw: the carriage is at its end on the pulling side.",
        "Let it return, then draw again.",
        "tests/firmware/test_safety_orders.py",
    ),
    _refusal(
        wire.SETTINGS_UNUSABLE,
        "settings_unusable",
        "The board does not {wanted}: its stored settings contradict each other or lie outside what it can count with.",
        "Correct the settings on the board; hardware/protocol.md section 9 says what each may be.",
    ),
    # --- the link
    Entry(
        41,
        "silent",
        "link",
        STOP,
        "The board has been silent for {silent_s}. By itself it freezes and holds what it has.",
        f"Look at the string, check cable and power. When the board is back, nothing moves without a press. {GET_DOWN}",
        "the board answers again",
        _TRIPS,
        "link_lost",
    ),
    Entry(
        42,
        "restarted",
        "link",
        STOP,
        "The board has started anew: its drive is off.",
        "Look at the string before you touch anything; hold the pedal to let it down, or to arm again once it is slack.",
        "the handshake is done",
        "tests/host/test_link.py",
        "link_lost",
    ),
    # --- the head
    Entry(
        51,
        "guard_ceiling",
        "head",
        STOP,
        "{force_n} is above the ceiling of {ceiling_n} (from the reference zero, reading {age_s} old): this computer stops "
        "the board.",
        "The board should have stopped first: check its limits before the next pull. Tap to let the string down.",
        "slack again",
        "tests/host/test_guard.py",
        "guard",
    ),
    Entry(
        52,
        "guard_travel",
        "head",
        STOP,
        "{travel_mm} of travel have not raised the force above {force_n}: gripper or clamp lets string through, or the "
        "cell reads wrong.",
        "Look at gripper and clamps. Tap to let the string down.",
        "slack again",
        "tests/host/test_guard.py",
        "guard",
    ),
    Entry(
        55,
        "not_coming_down",
        "head",
        STOP,
        "{travel_mm} of letting down have not lowered the force from {force_n}: the motor stands still, or the cell does.",
        "Press the emergency stop and turn the hand knob; check the motor's cable and current.",
        "slack again",
        "tests/campaign/test_worst.py::test_a_dead_motor_in_the_let_down_is_told",
        "guard",
    ),
    Entry(
        56,
        "not_let_down",
        "head",
        REFUSAL,
        "The board does not let down from the screen now: no sound readings, or a motor that has turned the wrong way.",
        "Hold the pedal; if that does nothing, press the emergency stop and turn the hand knob.",
        "asked again",
        f"{_HEAD}::test_a_wish_to_let_down_that_cannot_be_met_ends_and_is_told",
        "refused",
    ),
    Entry(
        53,
        "ceiling_not_taken",
        "head",
        REFUSAL,
        "The board was asked for a ceiling of {asked_n} and answers with {echo_n}: it is disarmed again.",
        "Firmware and program do not fit together, or the board's limits are wrong: check them before the next pull.",
        "asked again",
        f"{_HEAD}::test_a_ceiling_that_is_not_echoed_disarms",
        "refused",
    ),
    Entry(
        54,
        "no_answer",
        "head",
        REFUSAL,
        "The board has not answered when asked to {wanted}.",
        "Ask again; if it stays so, check the cable.",
        "asked again",
        f"{_HEAD}::test_an_answer_that_does_not_come_is_told",
        "refused",
    ),
    # --- calibration and zero
    Entry(
        71,
        "zero_far",
        "calibration",
        REFUSAL,
        "The empty head shows {zero_n}; at most {limit_n} may remain from the reference zero.",
        "Take everything off the gripper and arm again; if it stays, calibrate.",
        "armed again",
        "tests/host/test_arming.py::test_a_zero_far_from_the_reference_zero_is_refused_both_ways",
        "zero_refused",
    ),
    Entry(
        72,
        "zero_moving",
        "calibration",
        REFUSAL,
        "The reading of the empty head moved by more than {limit_n} for {waited_s}.",
        "Hands off the gripper, then arm again.",
        "armed again",
        "tests/host/test_arming.py::test_a_zero_that_moves_is_refused",
        "zero_refused",
    ),
    Entry(
        73,
        "zero_no_readings",
        "calibration",
        REFUSAL,
        "No sound readings for the working zero.",
        "Check the cell's cable, then arm again.",
        "armed again",
        "tests/host/test_arming.py::test_without_readings_after_arming_no_zero_is_taken",
        "zero_refused",
    ),
    Entry(
        74,
        "zero_not_home",
        "calibration",
        STATUS,
        "The carriage is not at its slack-side end: no new working zero is taken, {zero_n} from the reference zero stays.",
        "Nothing to do; for a new zero bring the empty gripper to its end, then arm.",
        "armed at the end",
        "tests/host/test_zeros.py::test_away_from_home_no_new_zero_is_taken",
    ),
    Entry(
        75,
        "zero_shifted",
        "calibration",
        STATUS,
        "The empty head shows {zero_n} from the reference zero: the zero has moved since arming.",
        "Take everything off the gripper; if it stays, disarm, arm again, and check the cell before the next pull.",
        "a new zero",
        "tests/host/test_zeros.py::test_a_zero_that_moved_too_far_is_said_once",
    ),
    Entry(
        76,
        "calibration_unknown",
        "calibration",
        STATUS,
        "No calibration kept here belongs to this board's sensitivity of {sensitivity}: nobody knows how right it is.",
        "Calibrate it: evenbed calibrate.",
        "calibrated, or a calibration taken into use",
        "tests/host/test_zeros.py::test_a_board_without_a_known_calibration_is_said",
    ),
    Entry(
        77,
        "calibration_known",
        "calibration",
        STATUS,
        "Calibration {number} of {made}: U = {expanded_n} (k = 2) at {force_n}, weights up to {top_n}.",
        "Nothing to do up to 1.2 times that.",
        "by itself",
        "tests/host/test_zeros.py::test_a_pull_carries_its_calibration",
    ),
    Entry(
        78,
        "beyond_calibration",
        "calibration",
        STATUS,
        "{force_n} is more than 1.2 times the {top_n} that the calibration was made with: U = {expanded_n} there.",
        "Calibrate with more weight; above twice the weight nothing is drawn.",
        "a calibration with more weight",
        "tests/host/test_zeros.py::test_beyond_the_weights_it_warns_and_then_refuses",
    ),
    # --- statuses
    Entry(
        81,
        "limiting",
        "board",
        STATUS,
        "Slower than asked: the stop budget bounds the speed.",
        "Nothing to do.",
        "by itself",
        "tests/firmware/test_envelope.py",
    ),
    Entry(
        82,
        "out_of_travel",
        "head",
        STATUS,
        "The carriage is at its end at {force_n}, short of {reference_n}.",
        "Clamp, let off, take a shorter bite and draw again.",
        "let off",
        "tests/host/test_head_pull.py::test_out_of_travel_is_told_held_and_let_off",
    ),
    Entry(
        83,
        "no_string",
        "head",
        STATUS,
        "No string felt over {travel_mm}.",
        "Is it in the gripper? Put it in and tap.",
        "the next draw",
        "tests/host/test_head_pull.py::test_no_string_stops_asks_and_goes_back",
    ),
    Entry(
        84,
        "out_of_hold_travel",
        "head",
        STATUS,
        "The head has followed by {travel_mm}, as far as it may while it holds; the force is {force_n}.",
        "Does gripper or clamp slip? Hold the pedal to let the string down.",
        "let off or let down",
        f"{_HEAD}::test_the_end_of_the_hold_travel_is_said_once",
    ),
    Entry(
        85,
        "end_reached",
        "head",
        STATUS,
        "The carriage is at its end on the slack side and the string still pulls with {force_n}.",
        "Take it out of the gripper by hand, eyes covered.",
        "slack",
        f"{_HEAD}::test_a_string_that_still_pulls_at_the_slack_end_is_said",
    ),
    Entry(
        86,
        "found_loaded",
        "head",
        STATUS,
        "There is a string under {force_n} on the head.",
        "Hold the pedal to let it down.",
        "slack",
        "tests/host/test_arming.py::test_a_string_on_the_head_is_let_down_not_armed",
        "loaded",
    ),
    Entry(
        87,
        "proof_open",
        "head",
        STATUS,
        "The clamp looks open: nothing is let off.",
        "Set the clamp again; tap to pull back to {reference_n}, hold to let the string down.",
        "tap or hold",
        "tests/host/test_head_pull.py",
        "proof_failed",
    ),
    Entry(
        88,
        "proof_slips",
        "head",
        STATUS,
        "The string slips through the clamp: nothing is let off.",
        "Set the clamp again; tap to pull back to {reference_n}, hold to let the string down.",
        "tap or hold",
        "tests/host/test_head_pull.py",
        "proof_failed",
    ),
)
