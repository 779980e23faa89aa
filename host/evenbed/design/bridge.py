"""From newtons to counts: load cell, excitation and converter, by their data sheets."""

from __future__ import annotations

from evenbed.rig.tables import Cell, Converter


def volts_per_n(cell: Cell, converter: Converter) -> float:
    """Signal of the bridge, V/N: rated output x excitation / capacity."""
    return cell.rated_mv_v / 1000.0 * converter.excitation_v / cell.capacity_n


def full_scale_v(converter: Converter) -> float:
    """Largest input, one way, V: span x reference / gain."""
    return converter.span * converter.reference_v / converter.gain


def counts_per_v(converter: Converter) -> float:
    """Counts per volt of input: half of all codes over the full scale."""
    return 2.0 ** (converter.bits - 1) / full_scale_v(converter)


def counts_per_n(cell: Cell, converter: Converter) -> float:
    """Counts per newton."""
    return volts_per_n(cell, converter) * counts_per_v(converter)


def full_scale_n(cell: Cell, converter: Converter) -> float:
    """Force at which the converter saturates, N, if the zero is at 0."""
    return full_scale_v(converter) / volts_per_n(cell, converter)


def noise_n(cell: Cell, converter: Converter) -> float:
    """RMS noise of a reading, N, from the converter's input noise."""
    return converter.noise_nv * 1e-9 / volts_per_n(cell, converter)
