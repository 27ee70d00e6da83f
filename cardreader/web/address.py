"""Where the server can be reached from a phone on the same network."""

from __future__ import annotations

import ipaddress
from io import StringIO

import ifaddr
import segno


def own_addresses() -> list[str]:
    """IPv4 addresses of this machine that others can reach, private ones first."""
    found = {str(ip.ip) for adapter in ifaddr.get_adapters() for ip in adapter.ips if ip.is_IPv4}
    usable = [
        address
        for address in map(ipaddress.ip_address, sorted(found))
        if not address.is_loopback and not address.is_link_local
    ]
    return [str(address) for address in sorted(usable, key=lambda a: not a.is_private)]


def qr_text(url: str) -> str:
    """A QR code of an address, drawn with block characters for a terminal."""
    out = StringIO()
    segno.make(url, error="m", micro=False).terminal(out, compact=True)
    return out.getvalue()
