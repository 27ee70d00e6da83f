"""Where the server can be reached from a phone on the same network.

The libraries for it are met inside: a register on one phone alone is without them.
"""

from __future__ import annotations

import ipaddress
from io import StringIO


def own_addresses() -> list[str]:
    """IPv4 addresses of this machine that others can reach, private ones first."""
    import ifaddr

    found = {str(ip.ip) for adapter in ifaddr.get_adapters() for ip in adapter.ips if ip.is_IPv4}
    usable = [
        address
        for address in map(ipaddress.ip_address, sorted(found))
        if not address.is_loopback and not address.is_link_local
    ]
    return [str(address) for address in sorted(usable, key=lambda a: not a.is_private)]


def url_of(scheme: str, host: str, port: int) -> str:
    """An address to open; an IPv6 number stands in brackets (RFC 3986, 3.2.2)."""
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/"


def qr_picture(url: str) -> str:
    """The same as SVG, to stand in a page; black on white whatever the page's colours."""
    import segno

    return segno.make(url, error="m", micro=False).svg_inline(
        scale=8, dark="#000", light="#fff", svgclass="qr", lineclass=None, omitsize=True
    )


def qr_text(url: str) -> str:
    """A QR code of an address, drawn with block characters for a terminal."""
    import segno

    out = StringIO()
    segno.make(url, error="m", micro=False).terminal(out, compact=True)
    return out.getvalue()
