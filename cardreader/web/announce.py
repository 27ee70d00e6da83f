"""A name on the local network that stays while the numbers change: multicast DNS (RFC 6762).

Phones that know it (from memory: Android since version 12, iPhones) find the register
under one name on any hotspot, so that what they keep for it stays with it.
"""

from __future__ import annotations

import socket

from zeroconf import Error as ZeroconfError
from zeroconf import InterfaceChoice, IPVersion, ServiceInfo, Zeroconf


class Announcement:
    """The register's name, told to the network; `renew` after the addresses changed."""

    def __init__(
        self, name: str, port: int, secure: bool, interfaces: list[str] | None = None
    ) -> None:
        self.name = name
        self._port = port
        self._type = "_https._tcp.local." if secure else "_http._tcp.local."
        self._interfaces = InterfaceChoice.All if interfaces is None else interfaces
        self._zeroconf: Zeroconf | None = None

    def renew(self, addresses: list[str]) -> bool:
        """Tell the name for these addresses; False where the network doesn't let us."""
        self.close()
        if not addresses:
            return False
        label = self.name.removesuffix(".local")
        info = ServiceInfo(
            self._type,
            f"{label}.{self._type}",
            addresses=[socket.inet_aton(address) for address in addresses],
            port=self._port,
            server=f"{self.name}.",
        )
        try:
            # Interfaces are taken when it is made: after a change it is made anew.
            self._zeroconf = Zeroconf(interfaces=self._interfaces, ip_version=IPVersion.V4Only)
            self._zeroconf.register_service(info)
        except (OSError, ZeroconfError):
            self.close()
            return False
        return True

    def close(self) -> None:
        """Take the name back."""
        if self._zeroconf is not None:
            self._zeroconf.close()
            self._zeroconf = None
