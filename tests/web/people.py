"""A client of the pages, signed in as somebody."""

from __future__ import annotations

import re

from fastapi import FastAPI
from fastapi.testclient import TestClient
from sqlalchemy.orm import Session

from cardreader.register import accounts
from cardreader.register.kinds import Role

PASSWORD = "a long invented password"


def add_accounts(session: Session) -> None:
    """One account a role, where there is none of its name yet."""
    for role in Role:
        if accounts.find_account(session, role.value) is None:
            accounts.add_account(session, role.value, role, PASSWORD)


class Person:
    """A client signed in as somebody."""

    def __init__(self, app: FastAPI, name: str) -> None:
        self.app = app
        self.client = TestClient(app, base_url="http://testserver", follow_redirects=False)
        if (before := getattr(app.state, "signed_in", {}).pop(name, None)) is not None:
            # In the register that this one is a copy of; whoever comes next signs in here.
            self.client.cookies.update(before.client.cookies)
            self.csrf = before.csrf
            return
        answer = self.client.post("/sign-in", data={"name": name, "password": PASSWORD})
        assert answer.status_code == 303, answer.text
        self.csrf = self.client.get("/api/session").json()["csrf"]

    def get(self, path: str):
        """GET a page."""
        return self.client.get(path)

    def post(self, path: str, files=None, **fields):
        """POST a form with the CSRF token."""
        return self.client.post(path, data={"csrf": self.csrf, **fields}, files=files)

    def api(self, method: str, path: str, **kwargs):
        """Call the API with the CSRF header."""
        headers = {"X-CSRF-Token": self.csrf, **kwargs.pop("headers", {})}
        return self.client.request(method, path, headers=headers, **kwargs)

    def add_woman(self, code: str, weeks: str = "20") -> str:
        """Add a woman; returns the address of her page."""
        answer = self.post("/women/new", code=code, gestation_weeks=weeks)
        assert answer.status_code == 303, answer.text
        return answer.headers["location"].split("?")[0]

    def open_visit(self, woman: str, number: int = 1) -> str:
        """Open a visit; returns its address."""
        return self.post(f"{woman}/visits", number=str(number)).headers["location"]

    def send_photo(self, visit: str, data: bytes, key: str | None = None, **fields):
        """Send a photo as the pages' scripts do."""
        key = key or re.sub(r"\W", "", f"key{hash((visit, data)) & 0xFFFFFFFFFF:010x}")
        return self.api(
            "POST",
            f"/api{visit}/photos",
            data={"submission_key": key, **fields},
            files={"photo": ("p.jpg", data, "image/jpeg")},
        )
