"""A name on the local network that stays while the numbers change: multicast DNS (RFC 6762).

Phones that know it (from memory: Android since version 12, iPhones) find the register
under one name on any hotspot, so that what they keep for it stays with it.

A register that was copied, or restored on a second machine, has the name of the first: the
network is asked whether a name is another's (section 8.1), and whoever comes second takes a
number to it (section 9).
"""

from __future__ import annotations

import socket
from concurrent.futures import ThreadPoolExecutor

from zeroconf import (
    AddressResolverIPv4,
    InterfaceChoice,
    IPVersion,
    NonUniqueNameException,
    ServiceInfo,
    Zeroconf,
)
from zeroconf import Error as ZeroconfError

ASK_MS = 2000
"""Whoever told a name a moment ago stays silent about it for a second (section 6)."""
MOST_NAMES = 9


class Announcement:
    """The register's name, told to the network; `renew` after the addresses changed.

    Attributes
    ----------
    name : str
        The one that is told; with a number where another server has the register's.
    taken_by : tuple of str
        Addresses of the server that has the register's name; empty where none has.
    """

    def __init__(
        self, name: str, port: int, secure: bool, interfaces: list[str] | None = None
    ) -> None:
        self.name = self._own = name
        self.taken_by: tuple[str, ...] = ()
        self._port = port
        self._type = "_https._tcp.local." if secure else "_http._tcp.local."
        self._interfaces = InterfaceChoice.All if interfaces is None else interfaces
        self._zeroconf: Zeroconf | None = None

    def renew(self, addresses: list[str]) -> bool:
        """Tell the name for these addresses; False where the network doesn't let us."""
        # In a thread of its own: where an event loop runs, the library would take that for its
        # own, and could not be waited for.
        with ThreadPoolExecutor(1) as apart:
            return apart.submit(self._renew, addresses).result()

    def _renew(self, addresses: list[str]) -> bool:
        self.close()
        self.name, self.taken_by = self._own, ()
        if not addresses:
            return False
        try:
            # Interfaces are taken when it is made: after a change it is made anew.
            self._zeroconf = Zeroconf(interfaces=self._interfaces, ip_version=IPVersion.V4Only)
            for number in range(1, MOST_NAMES + 1):
                if self._tell(self._zeroconf, _numbered(self._own, number), addresses):
                    return True
        except (OSError, ZeroconfError):
            pass
        self.close()
        return False

    def _tell(self, zeroconf: Zeroconf, name: str, addresses: list[str]) -> bool:
        """Tell one name, unless it is another's."""
        holder = AddressResolverIPv4(f"{name}.")
        if holder.request(zeroconf, ASK_MS):
            self.taken_by = self.taken_by or tuple(holder.parsed_addresses())
            return False
        info = ServiceInfo(
            self._type,
            f"{name.removesuffix('.local')}.{self._type}",
            addresses=[socket.inet_aton(address) for address in addresses],
            port=self._port,
            server=f"{name}.",
        )
        try:
            zeroconf.register_service(info)
        except NonUniqueNameException:  # told by another in this very moment
            self.taken_by = self.taken_by or ("address unknown",)
            return False
        self.name = name
        return True

    def close(self) -> None:
        """Take the name back."""
        if self._zeroconf is not None:
            self._zeroconf.close()
            self._zeroconf = None


def _numbered(name: str, number: int) -> str:
    return name if number == 1 else f"{name.removesuffix('.local')}-{number}.local"
