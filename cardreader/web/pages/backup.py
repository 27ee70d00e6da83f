"""Backing up from a page: the supervisor takes the register home on another device."""

from __future__ import annotations

import secrets

from fastapi import APIRouter, Request
from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response

from cardreader.register.backup import MIN_PASSPHRASE, make_backup
from cardreader.register.backupnote import BackupError
from cardreader.register.base import local_day
from cardreader.register.lastbackup import OLD_DAYS, last_backup, note_backup
from cardreader.web.access import Form, Supervisor
from cardreader.web.render import page
from cardreader.web.state import State
from cardreader.web.texts import gettext as _
from cardreader.web.upkeep import UNFINISHED_BACKUP

router = APIRouter(include_in_schema=False, prefix="/backup")


@router.get("")
def show(request: Request, visitor: Supervisor) -> Response:
    """When it was last done, what it holds, and the button."""
    return _page(request, {})


@router.post("")
def make(request: Request, visitor: Supervisor, form: Form) -> Response:
    """Make a backup and hand it over as a download."""
    state: State = request.app.state.shared
    passphrase = str(form.get("passphrase", ""))
    problems = {}
    if len(passphrase) < MIN_PASSPHRASE:
        problems["passphrase"] = _("At least %(least)s letters.") % {"least": MIN_PASSPHRASE}
    elif passphrase != form.get("again"):
        problems["again"] = _("This is not the same as above.")
    if problems:
        return _page(request, problems, 422)
    data = state.settings.data
    file = data / f"{UNFINISHED_BACKUP}{secrets.token_hex(8)}"
    try:
        note = make_backup(state.database, data, file, passphrase)
    except BackupError:
        return _page(
            request,
            {
                "form": _(
                    "The register can't be backed up: its audit trail or a record is not whole."
                )
            },
            422,
        )
    with state.database.write() as session:
        note_backup(session, note, visitor.account_id)
    return FileResponse(
        file,
        media_type="application/octet-stream",
        filename=f"register-{state.today().isoformat()}.backup",
        background=BackgroundTask(file.unlink, missing_ok=True),
    )


def _page(request: Request, problems: dict[str, str], status: int = 200) -> Response:
    state: State = request.app.state.shared
    return page(
        request,
        "backup.html",
        status,
        problems=problems,
        least=MIN_PASSPHRASE,
        days=days_since_backup(state),
        old_days=OLD_DAYS,
    )


def days_since_backup(state: State) -> int | None:
    """Whole days since the newest backup; None when there was none."""
    with state.database.read() as session:
        at = last_backup(session)
    return None if at is None else max((state.today() - local_day(at)).days, 0)
