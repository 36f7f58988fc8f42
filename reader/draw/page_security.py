"""A page's Content-Security-Policy (W3C CSP Level 3): nothing from elsewhere, and no style or script but its own.

Pages are single files, so their styles and scripts stand in them and are allowed by their hashes. A `style` attribute
has no hash that browsers take without loosening the rest, so each becomes a rule of the page's own.
"""

import base64
import hashlib
import html
import re
from typing import Final

_BLOCK: Final = re.compile(r"<(style|script)\b([^>]*)>(.*?)</\1>", re.DOTALL)
_STYLED: Final = re.compile(r'(<[a-zA-Z][^<>]*?)\sstyle="([^"]*)"')
_CARRIED: Final = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')
_CHARSET: Final = '<meta charset="utf-8">'


def secured(page: str) -> str:
    """Put its policy into a page, which must say its character set, and move `style` attributes into a rule each."""
    whole, own = move_styles(page)
    if own:
        whole = whole.replace("</head>", f"<style>{own}</style>\n</head>", 1)
    policy = f'<meta http-equiv="Content-Security-Policy" content="{_policy(whole)}">'
    assert _CHARSET in whole, "a page says its character set, after which its policy stands"
    return whole.replace(_CHARSET, f"{_CHARSET}\n{policy}", 1)


def move_styles(page: str) -> tuple[str, str]:
    """Take the `style` attributes out of a page: the page, and the rules that stand for them."""
    rules: dict[str, int] = {}
    parts, end = [], 0
    for block in _BLOCK.finditer(page):
        parts += [_moved(page[end : block.start()], rules), block[0]]
        end = block.end()
    whole = "".join((*parts, _moved(page[end:], rules)))
    own = "".join(f'[data-look="{number}"]{{{_important(style)}}}' for style, number in rules.items())
    return whole, own


def source_of(content: str) -> str:
    """A style's or script's hash, as a policy allows it."""
    digest = base64.b64encode(hashlib.sha256(content.encode("utf-8")).digest()).decode("ascii")
    return f"'sha256-{digest}'"


def policy_of(page: str) -> str:
    """The policy that a secured page carries, for the header of an answer."""
    found = _CARRIED.search(page)
    assert found is not None, "a page that is complete in itself carries its policy"
    return html.unescape(found[1])


def _moved(markup: str, rules: dict[str, int]) -> str:
    def look(found: re.Match[str]) -> str:
        style = html.unescape(found[2])
        if not style.strip() or re.search(r"[<>{}@\\]|url", style):
            return found[1]
        return f'{found[1]} data-look="{rules.setdefault(style, len(rules))}"'

    return _STYLED.sub(look, markup)


def _important(style: str) -> str:
    """Declarations that win over the page's rules, as those of an attribute do."""
    return ";".join(f"{one.strip()}!important" for one in style.split(";") if one.strip())


def _policy(page: str) -> str:
    hashes: dict[str, list[str]] = {"style": [], "script": []}
    for kind, attributes, content in _BLOCK.findall(page):
        if 'type="application/json"' not in attributes:  # data, which nothing runs
            hashes[kind].append(source_of(content))
    allowed = [f"{kind}-src {' '.join(dict.fromkeys(found))}" for kind, found in hashes.items() if found]
    return "; ".join(
        ("default-src 'none'", "img-src data:", *allowed, "base-uri 'none'", "form-action 'none'")
    )
