"""Network addresses as they stand in settings. Pure: nothing is looked up."""

from __future__ import annotations

from urllib.parse import urlsplit


def checked_address(url: str) -> str:
    """The URL as it is. Raises ValueError when it names no host, a port that cannot be, a user or a password."""
    if any(sign.isspace() or not sign.isprintable() for sign in url):
        raise ValueError("is no address: it holds a blank or a sign that cannot be seen")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        host.encode("idna")
    except ValueError as error:
        raise ValueError(f"is no address ({error})") from None
    if "@" in parts.netloc:
        raise ValueError("user name and password do not belong into an address")
    if not host or port == 0:
        raise ValueError("is no address: it names no host, or port 0")
    return url
