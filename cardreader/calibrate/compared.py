"""A study fitted again: what the new calibration makes otherwise of the same photos."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from cardreader.calibrate.features import Features
from cardreader.calibrate.heldout import read_part
from cardreader.calibrate.pairs import Pairs
from cardreader.decide.protocol import Protocol
from cardreader.hb.calibration import Calibration
from cardreader.terminal.output import counted


@dataclass(frozen=True)
class Compared:
    """What changed from an older calibration to a newer one.

    Attributes
    ----------
    older : str
        Its name.
    n_new, n_gone : int
        Photos that count now and didn't before, and the other way round.
    n_both : int
        Photos of the study that both calibrations give a value for.
    mean_g_dl, most_g_dl : float
        By how much their values moved, on average and the one that moved most.
    answers : tuple of (str, str, int)
        Answers before and after where they differ, with how many photos; the most frequent first.
    """

    older: str
    n_new: int
    n_gone: int
    n_both: int
    mean_g_dl: float
    most_g_dl: float
    answers: tuple[tuple[str, str, int], ...]

    @property
    def words(self) -> str:
        """A few lines."""
        pairs = f"In place of {self.older}: {counted(self.n_new, 'photo')} new"
        if self.n_gone:
            pairs += f", {counted(self.n_gone, 'photo')} of before no longer there"
        if not self.n_both:
            return f"{pairs}. No photo of the table gets a value from both."
        lines = [
            f"{pairs}. Of {counted(self.n_both, 'photo')} that both give a value for, it moved by "
            f"{self.mean_g_dl:+.2f} g/dL on average, at most by {self.most_g_dl:+.2f}."
        ]
        for before, after, count in self.answers:
            lines.append(f"  {counted(count, 'photo')}: {before} before, {after} now")
        if not self.answers:
            lines.append("  Every answer is the same as before.")
        return "\n".join(lines)


def compared(
    features: Features,
    older: Calibration,
    photos_sha256: frozenset[str],
    newer: Calibration,
    protocol: Protocol,
) -> Compared:
    """What a calibration makes otherwise of a study's photos than the one before it.

    Both may have learnt from those photos: this says what changes for who is read, and nothing
    of who is right.

    Parameters
    ----------
    photos_sha256 : frozenset of str
        Of the photos that the older one was fitted to.
    """
    pairs = Pairs.of(features)
    before, after = (read_part(pairs, model, protocol) for model in (older, newer))
    lots = {lot.lot_id: lot for lot in features.lots}
    names = pairs.lot.tolist()
    of_both = np.array(
        [
            older.gives_values_for(name) and not (name in lots and older.unlike(lots[name]))
            for name in names
        ],
        bool,
    )
    both = before["accepted"] & after["accepted"] & of_both
    moved = (after["hb_g_dl"] - before["hb_g_dl"])[both]
    answers = Counter(
        (str(old), str(new))
        for old, new in zip(before["answer"][both], after["answer"][both], strict=True)
        if old != new
    )
    now = {sha for sha in features.used["photo_sha256"] if sha}
    return Compared(
        older.id,
        len(now - photos_sha256),
        len(photos_sha256 - now),
        int(both.sum()),
        float(moved.mean()) if len(moved) else 0.0,
        float(moved[np.abs(moved).argmax()]) if len(moved) else 0.0,
        tuple((*answer, count) for answer, count in answers.most_common()),
    )
