"""Ids that people read out and type: short, and with no letter that is taken for another."""

import hashlib
import secrets
from typing import Final

ID_ALPHABET: Final = "0123456789abcdefghjkmnpqrstvwxyz"  # Crockford's base 32: no i, l, o, u to mistake
ID_LENGTH: Final = 8  # 40 bits; a clash inside one logbook is found and another id drawn
MISREAD: Final = str.maketrans("oil", "011")  # letters that no id has, and what they are taken for
ID_PATTERN: Final = rf"[{ID_ALPHABET}]{{{ID_LENGTH}}}"


def new_id() -> str:
    """Draw an id."""
    return "".join(secrets.choice(ID_ALPHABET) for _ in range(ID_LENGTH))


def derived_id(data: bytes) -> str:
    """The id that always belongs to these bytes: the first 40 bits of their SHA-256."""
    number = int.from_bytes(hashlib.sha256(data).digest()[: ID_LENGTH * 5 // 8], "big")
    return "".join(ID_ALPHABET[number >> 5 * place & 31] for place in range(ID_LENGTH))[::-1]
