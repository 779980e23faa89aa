"""Work at the rig, seen from any window: one session of the head, one job."""
