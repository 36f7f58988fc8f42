"""Canonical JSON (RFC 8785), so that equal values have equal bytes and one hash."""

import rfc8785

from reader.errors import LinecallError


def canonical_json(value: object) -> bytes:
    """Canonical JSON (RFC 8785), UTF-8. Raises LinecallError for what it cannot carry: NaN, 2**60."""
    try:
        return rfc8785.dumps(value)  # type: ignore[arg-type]
    except (rfc8785.CanonicalizationError, UnicodeEncodeError, RecursionError) as error:
        raise LinecallError(f"this cannot be kept as JSON (RFC 8785): {error}") from error
