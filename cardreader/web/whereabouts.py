"""Where the server can be reached now, and what must follow when that changes."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

from cardreader.core.oneline import one_line
from cardreader.web.address import own_addresses, url_of
from cardreader.web.tls import CertificateError

LOOK_EVERY_S = 5.0
_NOT_FOLLOWED = (
    "The address changed, or the certificate is out of date, and no new certificate can be made"
)


@dataclass(frozen=True)
class Whereabouts:
    """Addresses of the moment; the first is the one to show.

    ``start_port`` None: there is no start page, the register itself is unencrypted.
    ``name`` is the name on the local network, None where it can't be told; ``name_taken_by``
    the addresses of another server that has the register's own, so that this one is numbered.
    """

    addresses: tuple[str, ...]
    port: int
    start_port: int | None
    name: str | None = None
    fingerprint: str | None = None
    name_taken_by: tuple[str, ...] = ()

    @property
    def hosts(self) -> tuple[str, ...]:
        """Addresses and name, or this machine alone when it is on no network."""
        found = (*self.addresses, *((self.name,) if self.name else ()))
        return found or ("localhost",)

    @property
    def shown_urls(self) -> list[str]:
        """What a phone is to open first, by each host."""
        scheme_port = ("http", self.port if self.start_port is None else self.start_port)
        return [url_of(scheme_port[0], host, scheme_port[1]) for host in self.hosts]

    def register_url(self, host: str) -> str:
        """The register itself on one of the hosts."""
        return url_of("http" if self.start_port is None else "https", host, self.port)


class Watch:
    """Looks whether the addresses changed, and tells whoever must follow."""

    def __init__(
        self,
        follow: Callable[[list[str]], None],
        look: Callable[[], list[str]] = own_addresses,
        every_s: float = LOOK_EVERY_S,
        stale: Callable[[], bool] = lambda: False,
    ) -> None:
        self._follow, self._look, self._every_s, self._stale = follow, look, every_s, stale
        self._known = look()
        self._complained = False
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True, name="addresses")

    def start(self) -> None:
        """Look from now on."""
        self._thread.start()

    def stop(self) -> None:
        """Look no longer."""
        self._stop.set()

    def check(self) -> bool:
        """Look once; True when something changed and all have followed.

        Where that fails, as on a full disk, it is told once and tried at the next look.
        """
        found = self._look()
        if found == self._known and not self._stale():
            return False
        try:
            self._follow(found)
        except (OSError, CertificateError) as error:
            if not self._complained:
                print(f"\n{_NOT_FOLLOWED}: {one_line(error)}", flush=True)
            self._complained = True
            return False
        self._known, self._complained = found, False
        return True

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self.check()
