"""Small things done when the server starts."""

from __future__ import annotations

from sqlalchemy import delete, select

from cardreader.register.base import utc_now
from cardreader.register.meet.side import sweep
from cardreader.register.models import Reading, SignIn
from cardreader.web.state import State

UNFINISHED_BACKUP = ".backup-"
"""How files begin that are made to be downloaded, and gone afterwards."""


def tidy(state: State) -> None:
    """Forget ended sign-ins, files that were on their way, and photo files that no reading owns.

    A file without a reading is left when the process is killed between the two;
    its photo was not acknowledged, so the phone still has it.
    """
    for file in state.settings.data.glob(f"{UNFINISHED_BACKUP}*"):
        file.unlink(missing_ok=True)
    sweep(state.settings.data)
    oldest = utc_now() - state.session.whole
    with state.database.write() as session:
        session.execute(delete(SignIn).where(SignIn.started_at < oldest))
        if state.photos is not None:
            kept = select(Reading.photo_file).where(Reading.photo_file.is_not(None))
            owned = set(session.scalars(kept))
            for name in state.photos.names() - owned:
                state.photos.remove(name)
