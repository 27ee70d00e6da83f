"""Passwords, PINs and passphrases that are hashed cheaply: hundreds need not cost a minute."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from argon2 import PasswordHasher

from cardreader.register import accounts, backupfile

AS_SHIPPED, COST_AS_SHIPPED = accounts.HASHER, backupfile.COST


@pytest.fixture(scope="session", autouse=True)
def _cheap_passwords() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(accounts, "HASHER", PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
        patch.setattr(backupfile, "COST", 2)
        yield
