"""What must be said about the blot, the card and the calibration that a reading rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cardreader.decide.statements import Statement

if TYPE_CHECKING:
    from cardreader.hb.estimate import HbEstimate
    from cardreader.result.reading import Reading


def calibration_statement(reading: Reading) -> Statement | None:
    """What must be said about the calibration; anything not measured is said to be simulated."""
    return basis_statement(reading.calibration_basis)


def basis_statement(basis: str) -> Statement | None:
    """The same of the basis that a calibration states."""
    return None if basis == "measured" else Statement.SIMULATED_CALIBRATION


def pairs_statement(estimate: HbEstimate) -> Statement | None:
    """What must be said of a value that lies beyond all pairs of the calibration."""
    side = estimate.beyond_pairs
    if side is None:
        return None
    return Statement.BELOW_PAIRS if side == "below" else Statement.ABOVE_PAIRS


def lot_statement(reading: Reading) -> Statement | None:
    """What must be said about the card when its colours come from no instrument."""
    if reading.lot is None:
        return None
    if reading.lot.basis == "nominal":
        return Statement.NOMINAL_LOT
    if reading.lot.basis == "photographed":
        return Statement.PHOTOGRAPHED_LOT
    return Statement.SIMULATED_LOT if reading.lot.is_demonstration else None


def blot_statement(reading: Reading) -> Statement | None:
    """What must be said about a blot whose value is less sure than usual."""
    shines = reading.blot is not None and reading.blot.reflection
    return Statement.FAINT_REFLECTION if shines and reading.estimate is not None else None
