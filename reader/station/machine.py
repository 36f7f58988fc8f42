"""What this machine says of itself: its addresses on its networks, and which folders lie on other machines."""

import socket
from collections.abc import Sequence
from contextlib import suppress
from ipaddress import ip_address
from pathlib import Path
from typing import Final

import psutil

SHARES: Final = frozenset(
    {
        "nfs",
        "nfs4",
        "cifs",
        "smb3",
        "smbfs",
        "afpfs",
        "9p",
        "afs",
        "ceph",
        "glusterfs",
        "lustre",
        "webdav",
        "ncpfs",
    }
)
"""Kinds of file system whose files lie on another machine; and every `fuse.NAME` but those of own disks."""
OWN_FUSE: Final = frozenset(
    {"fuse.fuseblk", "fuse.ntfs-3g", "fuse.exfat", "fuse.overlay", "fuse.fuse-overlayfs", "fuse.lxcfs"}
)


def own_addresses() -> tuple[str, ...]:
    """Addresses of this machine on its networks, the one of the way to the internet first; empty without a network."""
    found = [*_outward()]
    with suppress(OSError):  # a service may not be let ask (RestrictAddressFamilies without AF_NETLINK)
        states = psutil.net_if_stats()
        for name, addresses in psutil.net_if_addrs().items():
            if name not in states or states[name].isup:
                found += [one.address for one in addresses if one.family in {socket.AF_INET, socket.AF_INET6}]
    return tuple(dict.fromkeys(one for one in found if _is_reachable(one)))


def _outward() -> list[str]:
    found = []
    for family, target in (
        (socket.AF_INET, "192.0.2.1"),
        (socket.AF_INET6, "2001:db8::1"),
    ):  # RFC 5737, RFC 3849
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect((target, 9))  # sends nothing: only asks which way it would go
                found.append(str(probe.getsockname()[0]))
        except OSError:
            continue
    return found


def _is_reachable(address: str) -> bool:
    """Whether others on the network could type it: a browser takes no link-local address of IPv6 (RFC 6874)."""
    try:
        one = ip_address(address)
    except ValueError:
        return False  # with the name of an interface behind a %
    return not (one.is_loopback or one.is_unspecified or (one.version == 6 and one.is_link_local))


def share_of(path: Path, mounts: Sequence[tuple[str, str, str]] | None = None) -> str | None:
    """The kind of network share that a path lies on; None for a disk of this machine.

    mounts : folder, kind and options of what is mounted; those of this machine, if not given.
    """
    whole = path.resolve()
    if str(whole).startswith("\\\\"):  # a share of Windows by its name
        return "smb"
    if mounts is None:
        mounts = [(one.mountpoint, one.fstype, one.opts) for one in psutil.disk_partitions(all=True)]
    above = [mount for mount in mounts if whole.is_relative_to(mount[0])]
    if not above:
        return None
    _, kind, options = max(enumerate(above), key=lambda one: (len(Path(one[1][0]).parts), one[0]))[1]
    kind = kind.lower()
    is_share = (
        kind in SHARES
        or (kind.startswith("fuse.") and kind not in OWN_FUSE)
        or "remote" in options.split(",")
    )
    return kind if is_share else None
