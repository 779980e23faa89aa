"""The stop budget: how far the force can still rise once something is wrong, and the speed that this allows.

One function for the board's envelope, the governor, the documents and every record. Integers only.

The most the gripper can travel after the force was last known to be F, at speed v with deceleration a:

    d(v) = v * age + v * granted + v^2 / (2 a)

``age`` is how old the reading is when it acts (the converter's settling and one pass of the loop), ``granted`` the
time for which a good sample grants steps. With a stiffness of at most k the force cannot then exceed F + k d(v).
"""


def travel_um(v_um_s: int, age_us: int, granted_us: int, accel_um_s2: int) -> int:
    """Most travel after the last good reading, in micrometres, rounded up.

    ``v_um_s`` speed; ``age_us`` age of the reading; ``granted_us`` time granted by a sample; ``accel_um_s2`` ramp.
    """
    late = v_um_s * (age_us + granted_us) // 1000000 + 1
    brake = v_um_s * v_um_s // (2 * accel_um_s2) + 1
    return late + brake


def rise_mn(k_n_mm: int, v_um_s: int, age_us: int, granted_us: int, accel_um_s2: int) -> int:
    """Most further rise of the force in millinewtons at stiffness ``k_n_mm`` (N/mm is mN/um)."""
    return k_n_mm * travel_um(v_um_s, age_us, granted_us, accel_um_s2)


def travel_table(steps: int, v_top_um_s: int, age_us: int, granted_us: int, accel_um_s2: int) -> "list[int]":
    """Travel in micrometres for ``steps`` + 1 speeds from 0 to ``v_top_um_s``, evenly spaced."""
    top = steps - 1  # rounds each speed up
    return [travel_um((v_top_um_s * i + top) // steps, age_us, granted_us, accel_um_s2) for i in range(steps + 1)]


def fastest(table: "list[int]", allowed_um: int) -> int:
    """Largest index of ``table`` whose travel is at most ``allowed_um``; 0 if none is. Allocates nothing."""
    low = 0
    high = len(table) - 1
    while low < high:
        mid = (low + high + 1) >> 1
        if table[mid] <= allowed_um:
            low = mid
        else:
            high = mid - 1
    return low
