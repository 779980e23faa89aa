"""Entries 1 to 40: what the board raises and refuses."""

from __future__ import annotations

from evenbed_fw import faults, wire

from evenbed.entries.entry import BY_HAND, GET_DOWN, REFUSAL, STOP, TRIP, TRIPS, Entry

_READ = "(from the reference zero, reading {age_s} old)"
_CLEAR = "slack, sound readings, cause gone: pedal 2 s or screen"
_CORE = "tests/firmware/test_safety_trips.py"
_ORDERS = "tests/firmware/test_safety_orders.py"
_ARM = "tests/host/test_arming.py::test_arming_is_refused_with_its_reason"


def _board(number: int, says: str, do_next: str, kind: str = TRIP, proved_by: str = TRIPS, clears: str = _CLEAR) -> Entry:
    return Entry(number, faults.NAMES[number], "board", kind, says, do_next, clears, proved_by)


def _refusal(reason: int, name: str, says: str, do_next: str, proved_by: str = _ARM) -> Entry:
    return Entry(20 + reason, name, "board", REFUSAL, says, do_next, "the reason gone, asked again", proved_by, "refused")


ALL: tuple[Entry, ...] = (
    # --- the board's own
    _board(
        faults.OVER_TENSION,
        f"Over-tension: {{force_n}}, ceiling {{bound_n}} {_READ}. The motor stopped and backed off a little.",
        f"Look at what the string is caught on. {GET_DOWN}",
        proved_by=f"{_CORE}::test_over_tension_on_one_unfiltered_reading, test_back_off_begins_where_the_braking_ends",
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
        proved_by=f"{_CORE}::test_stuck_at_the_seventh_equal_reading",
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
        proved_by=f"{_CORE}::test_implausible_at_the_third_push, test_implausible_leaps_both_sides",
    ),
    _board(
        faults.STRING_LOST,
        f"The string is lost: the force fell to {{force_n}} at once {_READ}. The motor stands; it does not follow.",
        f"Eyes first: look for a broken string, an open clamp, a slipped gripper. {GET_DOWN}",
        proved_by=f"{_CORE}::test_string_lost_both_sides, test_string_lost_in_a_hold_under_half_the_contact_force",
    ),
    _board(
        faults.LEASE_EXPIRED,
        f"The board heard nothing from this computer for 0.15 s and froze at {{force_n}} {_READ}.",
        f"Close what keeps the computer busy, check the USB cable. {GET_DOWN}",
    ),
    _board(
        faults.PEDAL,
        "The pedal's two contacts contradict each other or come to no rest, or it was held for over 10 s. The motor stands "
        f"at {{force_n}} {_READ}.",
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
        "Tap to let the string down, or hold the pedal if that does nothing; then draw again.",
        STOP,
        "tests/host/test_head_pull.py::test_a_press_freezes_what_moves_and_a_tap_lets_down",
        "slack again",
    ),
    _board(
        faults.STOPPED,
        "Stopped at {force_n}.",
        "Tap to let the string down, or hold the pedal if that does nothing; then draw again.",
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
        f"{_ORDERS}::test_go_limits_of_its_numbers",
    ),
    _refusal(
        wire.WRONG_STATE,
        "wrong_state",
        "The board does not {wanted} in the state it is in.",
        "Wait until it stands, look at the screen, then ask again.",
        f"{_ORDERS}::test_arm",
    ),
    _refusal(
        wire.NO_PRESS,
        "no_press",
        "The board does not draw: no press of the pedal has allowed it.",
        "Tap the pedal once, a second after the last press.",
        "tests/firmware/test_safety_permits.py::test_presses_from_before_arming_are_void",
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
        f"{_ORDERS}::test_arm",
    ),
    _refusal(
        wire.STALE,
        "stale",
        "The board does not {wanted}: a newer line had overtaken this one.",
        "Ask once more.",
        f"{_ORDERS}::test_go_stale_repeated_reordered",
    ),
    _refusal(
        wire.WRONG_WAY,
        "only_down",
        "The board does not pull upwards from here: only down.",
        "Let the string down, then draw again.",
        f"{_ORDERS}::test_frozen_thaws_downwards_only_and_not_at_once",
    ),
    _refusal(
        wire.NOT_GREETED,
        "not_greeted",
        "The board does not {wanted}: it has not been greeted, so it may have started anew.",
        "Look at the string; the greeting is repeated by itself. Then ask again.",
        f"{_ORDERS}::test_go_needs_the_greeting",
    ),
    _refusal(
        wire.EXPIRY_TOO_LONG,
        "expiry_too_long",
        "The board takes no lease that is longer than it allows.",
        "Firmware and program do not fit together: update both.",
        f"{_ORDERS}::test_go_limits_of_its_numbers",
    ),
    _refusal(
        wire.GAIN_IMPLAUSIBLE,
        "gain_implausible",
        "The board does not {wanted}: its calibrated sensitivity is more than 20 % away from the cell's rating.",
        "Were kilograms typed as pounds? Calibrate again, or correct the rating on the board if another cell was fitted.",
        f"{_ORDERS}::test_arm",
    ),
    _refusal(
        wire.OUT_OF_TRAVEL,
        "at_end_switch",
        "The board does not draw: the carriage is at its end on the pulling side.",
        "Let it return, then draw again.",
        f"{_ORDERS}::test_draw_is_refused_at_the_end_switch_and_keeps_its_permit",
    ),
    _refusal(
        wire.SETTINGS_UNUSABLE,
        "settings_unusable",
        "The board does not {wanted}: its stored settings contradict each other or lie outside what it can count with.",
        "Correct the settings on the board; hardware/protocol.md section 9 says what each may be.",
    ),
)
