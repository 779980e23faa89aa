"""Metrology: from known weights to a force with an uncertainty. Pure: no port, clock or file."""
