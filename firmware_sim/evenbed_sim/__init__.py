"""A simulated rig that runs the firmware itself as its board."""
