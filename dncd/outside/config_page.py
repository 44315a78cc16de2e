"""What the keys of `[page]` say together: where browsers come, by which names, and that no pass phrase goes in the clear."""

import re
from collections.abc import Callable, Iterator
from dataclasses import fields
from ipaddress import IPv4Address, IPv6Address, ip_address
from typing import Any, Final

from dncd.values import PageSettings

HERE: Final = ("127.0.0.1", "localhost", "::1")
"""How this computer calls itself."""


def address(text: str) -> IPv4Address | IPv6Address | None:
    """An address of the network; None where it is none."""
    try:
        return ip_address(text)
    except ValueError:
        return None


def place(listen: str) -> tuple[str, int] | None:
    """The address, without brackets, and the port; None where it has no such form."""
    found = re.fullmatch(r"(?:\[([^\]]*:[^\]]*)\]|([^:]*)):([0-9]{1,5})", listen)
    host = "127.0.0.1" if found and found[2] == "localhost" else found and (found[1] or found[2])
    return (host, int(found[3])) if found and host and address(host) and int(found[3]) < 65_536 else None


def box(text: str) -> tuple[str, str, int] | None:
    """Name, host and port of another box, of `hall-2=https://dncd-2.shop.lan:8750/`; None where it has no such form."""
    found = re.fullmatch(
        r"([a-z0-9][a-z0-9-]{0,31})=https://(?:\[([0-9a-fA-F:]+)\]|([A-Za-z0-9.-]{1,253}))(?::([0-9]{1,5}))?/?", text
    )
    port = int(found[4] or 443) if found else 0
    return (found[1], found[2] or found[3], port) if found and 0 < port < 65_536 else None


def is_here(page: PageSettings) -> bool:
    """Whether this computer alone reaches it, and no proxy hands on what others ask."""
    found = place(page.listen)
    return found is not None and ip_address(found[0]).is_loopback and not page.behind_proxy


def hosts(page: PageSettings) -> tuple[str, ...]:
    """By what browsers may call it, first what people are told. () where nothing says it."""
    found = place(page.listen)
    bound = () if found is None or page.behind_proxy or ip_address(found[0]).is_unspecified else (found[0].lower(),)
    return tuple(dict.fromkeys((*page.names.lower().split(), *bound, *(HERE if is_here(page) else ()))))


def address_of(page: PageSettings, port: int | None = None) -> str:
    """What people type. port: where it listens, where that is not as the settings say; a proxy has the usual one."""
    host, found = hosts(page)[0], place(page.listen)
    shown = f"[{host}]" if ":" in host else host
    at = port if port is not None else found[1] if found else 0
    return f"https://{shown}/" if page.behind_proxy else f"http{'s' if page.key else ''}://{shown}:{at}/"


def page_faults(get: Callable[[str], Any]) -> Iterator[tuple[str, str]]:
    """Keys and why they cannot be beside the others. get: a value, None where that does not hold."""
    page = PageSettings(*(get(field.name) or "" for field in fields(PageSettings)))
    if bool(page.certificate) != bool(page.key):
        yield (
            ("certificate" if page.certificate else "key"),
            "certificate and key belong together: set both, or neither",
        )
    elif page.boxes and not page.box_tokens:
        yield "boxes", "each needs its token; name the file that has them in box_tokens"
    elif len(page.boxes.split()) != len({each.partition("=")[0] for each in page.boxes.split()}):
        yield "boxes", "each box needs a name of its own"
    elif not page.listen:
        return
    elif not (is_here(page) or page.key or page.behind_proxy):
        what = (
            "pass phrases would go over the network in the clear; set certificate and key, or behind_proxy, or listen"
        )
        yield "listen", f"{what} on this computer alone, at 127.0.0.1"
    elif not hosts(page):
        yield "names", "nothing says how browsers call the page; give the names or addresses that they will use"
