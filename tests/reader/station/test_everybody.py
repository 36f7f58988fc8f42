"""Every page for everybody: WCAG 2.2 by axe-core, every width, both themes, keys alone, targets for gloves, no report
of the policy, no link out of the prefix; and the chain of the logbook verifies at the end."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import AXE
from tests.reader.library.quiz.quiz_library import invented_library
from tests.reader.review.browser import Browser
from tests.reader.station.filled import Filled, filled

PHONE, DESK = 390, 1280
NOBODY = ""
TAB = "\ue004"  # WebDriver, section 17.4.2
TAGS = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "wcag2aaa", "best-practice")
RUN_AXE = f"""return axe.run({{runOnly: {{type: 'tag', values: {list(TAGS)}}}}}).then((found) => {{
    const parts = (colour) => {{
        const [red, green, blue, alpha = 1] = colour.match(/[0-9.]+/g).map(Number);
        return {{ rgb: [red, green, blue], alpha }};
    }};
    const light = (rgb) => rgb.map((one) => one / 255)
        .map((one) => (one <= 0.04045 ? one / 12.92 : ((one + 0.055) / 1.055) ** 2.4))
        .reduce((sum, one, k) => sum + one * [0.2126, 0.7152, 0.0722][k], 0);
    const behind = (one) => {{
        if (!one) return [255, 255, 255];
        const {{ rgb, alpha }} = parts(getComputedStyle(one).backgroundColor);
        const under = alpha === 1 ? rgb : behind(one.parentElement);
        return rgb.map((value, k) => alpha * value + (1 - alpha) * under[k]);
    }};
    const contrast = (one) => {{
        const style = getComputedStyle(one), text = one.ownerSVGElement ? style.fill : style.color;
        const [less, more] = [light(parts(text).rgb), light(behind(one))].sort((a, b) => a - b);
        return (more + 0.05) / (less + 0.05);
    }};
    const told = (list) => list.flatMap((rule) => rule.nodes.map((node) =>
        [rule.id, node.any.map((one) => one.data?.messageKey ?? one.id).join(), node.target.join(" "),
            node.html.slice(0, 160), contrast(document.querySelector(node.target.join(" ")))]));
    return [told(found.violations), told(found.incomplete)]; }})"""
UNCERTAIN = {
    "bgGradient": "shades at the sides of a table that scrolls; words stand on the page's own colour",
    "imgNode": "words in a chart, which stand on its ground",
    "shortTextContent": "a single figure",
    "nonBmp": "an arrow on a key",
    "elmPartiallyObscured": "what scrolls sideways",
    "elmPartiallyObscuring": "words beside the box that they are about",
    "bgOverlap": "words on the grey that strips stand on",
    "pseudoContent": "a sign before the words",
}
"""What axe leaves open, and what it is there: so contrast is worked out from the colours themselves (WCAG 2, 1.4.3)."""
CONTRAST_MIN = 4.5  # level AA, for what axe cannot tell; where it can, it asks for 7
SMALL = """return [...document.querySelectorAll("a, button, select, summary, input:not([type=hidden])")]
    .filter((one) => !one.matches(".skip, .unseen, .topic a, p > a"))
    .map((one) => (one.matches("[type=radio], [type=checkbox]") ? one.closest("label") ?? one : one))
    .filter((one) => one.checkVisibility({ visibilityProperty: true }))
    .filter((one) => { const box = one.getBoundingClientRect(); return box.height < 59.5 || box.width < 59.5; })
    .map((one) => one.outerHTML.slice(0, 160))"""
"""WCAG asks for 24 px and lets links within a sentence be smaller; a glove wants 60."""
LISTEN = """window.reached = [];
    document.addEventListener("focusin", (event) => {
        const one = event.target, shown = one.matches(".unseen") ? document.querySelector(`label[for=${one.id}]`) : one;
        const box = shown.getBoundingClientRect();
        const x = Math.min(Math.max(box.x + box.width / 2, 1), innerWidth - 2);
        const y = Math.min(Math.max(box.y + Math.min(box.height / 2, 30), 1), innerHeight - 2);
        const top = document.elementFromPoint(x, y);
        window.reached.push([one, getComputedStyle(shown).outlineStyle !== "none",
            box.height === 0 || (top !== null && (shown.contains(top) || top.contains(shown)))]);
    });
    document.activeElement?.blur();"""
TO_REACH = """
    const kinds = "a[href], button, select, textarea, summary, input:not([type=hidden]), [tabindex='0']";
    const groups = new Set();
    return [...document.querySelectorAll(kinds)]
        .filter((one) => !one.disabled && one.checkVisibility({ visibilityProperty: true }))
        .filter((one) => one.type !== "radio" || (!groups.has(one.name) && groups.add(one.name)))"""
"""What can be worked; of the buttons of a choice, which the arrow keys go through, the first."""


STOPS = f"""const all = (() => {{ {TO_REACH} }})();
    return all.length + 6 * all.filter((one) => one.type === "datetime-local").length"""  # each has fields of its own
MISSED = f"""const wanted = (() => {{ {TO_REACH} }})(), got = window.reached.map(([one]) => one);
    return wanted.filter((one) => !got.includes(one) && !(one.type === "radio" && got.some((o) => o.name === one.name)))
        .map((one) => one.outerHTML.slice(0, 120))"""
UNSEEN = """return window.reached.filter(([, outlined, clear]) => !outlined || !clear)
    .map(([one, ...why]) => [one.outerHTML.slice(0, 120), ...why])"""
LINKS = """return [...document.querySelectorAll("[href], [src], form")]
    .map((one) => one.getAttribute("href") ?? one.getAttribute("src") ?? one.getAttribute("action") ?? "")
    .map((one) => new URL(one, location.href).href)"""


@pytest.fixture(scope="module")
def station(tmp_path_factory: pytest.TempPathFactory, root: Path, browser: Browser) -> Iterator[Filled]:
    folder = tmp_path_factory.mktemp("filled")
    with filled(
        folder, root, begin_library=lambda path: invented_library(path, 40).close(), prefix="/x"
    ) as made:
        yield made
        assert made.place.desk.logbook.verify().problem is None


def sign_in(browser: Browser, station: Filled, name: str) -> None:
    browser.show("about:blank", width=DESK)
    browser._do("Network.clearBrowserCookies")
    if name != NOBODY:
        browser.show(station.place.link(name), width=DESK)
        browser.wait(f"document.querySelector('header .me')?.textContent === '{name}'")


@dataclass(frozen=True, kw_only=True)
class Look:
    """What one page is like at one width and in one theme; axe : violations, and what axe could not tell."""

    path: str
    complaints: list[str]
    too_wide: list[int]
    links: list[str]
    small: list[str]
    missed: list[str]
    unseen: list[list[Any]]
    axe: tuple[list[Any], list[Any]] | None


def look_at(browser: Browser, path: str, url: str, *, width: int, dark: bool) -> Look:
    if "#" in url:  # or it would be the same page
        browser.show("about:blank", width=width)
    browser.show(url, width=width, dark=dark)
    browser.wait("document.readyState === 'complete' && !document.querySelector('meta[http-equiv=refresh]')")
    complaints = [
        one for one in browser.complaints() if "the server responded with a status of 40" not in one
    ]
    too_wide = []
    for other in (360, PHONE, 768, DESK) if width == PHONE else ():
        browser.resize(other)
        if browser.ask("return document.documentElement.scrollWidth") > other:
            too_wide.append(other)
    browser.resize(width)
    links = [*browser.ask(LINKS), *browser.requests()]
    axe = None
    if AXE is not None:
        browser.ask(f"{Path(AXE).read_text(encoding='utf-8')}; return 1")
        axe = browser.ask(RUN_AXE)
    small = browser.ask(SMALL)
    browser.ask(LISTEN)
    browser.press(TAB * (browser.ask(STOPS) + 2))
    return Look(
        path=path,
        complaints=complaints,
        too_wide=too_wide,
        links=links,
        small=small,
        missed=browser.ask(MISSED),
        unseen=browser.ask(UNSEEN),
        axe=axe,
    )


@pytest.fixture(scope="module", params=[(PHONE, False), (DESK, True)], ids=["phone, light", "desk, dark"])
def looks(request: pytest.FixtureRequest, station: Filled, browser: Browser) -> list[Look]:
    """A look at every page, as everybody who opens it."""
    width, dark = request.param
    found = []
    for name, paths in {**station.pages, NOBODY: ["/", "/unsent", "/today"]}.items():
        sign_in(browser, station, name)
        found += [
            look_at(browser, path, f"{station.place.address}{path}", width=width, dark=dark) for path in paths
        ]
    return found


def test_every_page_fits_every_width(looks: list[Look]) -> None:
    assert {one.path: one.too_wide for one in looks if one.too_wide} == {}


def test_no_page_asks_for_what_its_policy_forbids_or_complains(looks: list[Look]) -> None:
    assert {one.path: one.complaints for one in looks if one.complaints} == {}


def test_no_page_leads_or_asks_out_of_the_prefix_but_to_the_makers_of_standards(
    looks: list[Look], station: Filled
) -> None:
    ours = (f"{station.place.address}/", "data:", "blob:", "about:", "https://")
    outside = {one.path: [link for link in one.links if not link.startswith(ours)] for one in looks}
    assert {path: links for path, links in outside.items() if links} == {}


def test_whatever_a_page_offers_is_large_enough_for_a_glove(looks: list[Look]) -> None:
    assert {one.path: one.small for one in looks if one.small} == {}


def test_every_control_of_every_page_is_reached_by_keys(looks: list[Look]) -> None:
    assert {one.path: one.missed for one in looks if one.missed} == {}


def test_what_the_keys_have_reached_is_outlined_and_covered_by_nothing(looks: list[Look]) -> None:
    assert {one.path: one.unseen for one in looks if one.unseen} == {}


def test_axe_finds_nothing_on_any_page_and_leaves_nothing_open(looks: list[Look], axe: str) -> None:
    assert {one.path: one.axe[0] for one in looks if one.axe and one.axe[0]} == {}
    unsure = [(one.path, *told) for one in looks if one.axe for told in one.axe[1]]
    assert [
        one
        for one in unsure
        if not (one[1].startswith("color-contrast") and set(one[2].split(",")) <= set(UNCERTAIN))
    ] == []
    assert [one for one in unsure if one[-1] < CONTRAST_MIN] == []
