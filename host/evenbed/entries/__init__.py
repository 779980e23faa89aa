"""The entries of the fault catalogue, in the order of their numbers: 1 to 19 the board's own (``evenbed_fw.faults``), from
21 on what it refuses (20 + n for refusal n of ``evenbed_fw.wire``), from 41 on the link, 51 the head, 71 calibration and
zero, 81 statuses. What a sentence becomes of one: ``catalogue.py``."""
