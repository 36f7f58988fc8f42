"""Chromium without a window, driven by Selenium: opens a page, says what it asked for, prints it."""

import base64
import json
import time
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Any

QUIET = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
)


class Browser(AbstractContextManager["Browser"]):
    """One browser with one page."""

    def __init__(self, chromium: Path, driver: Path, *, profile: Path) -> None:
        from selenium.webdriver import Chrome
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = str(chromium)
        for argument in (*QUIET, f"--user-data-dir={profile}"):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self._driver = Chrome(options=options, service=Service(str(driver)))

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._driver.quit()

    def show(
        self,
        page: Path | str,
        *,
        width: int,
        height: int = 844,
        scale: float = 1.0,
        dark: bool = False,
        first: str = "",
    ) -> None:
        """Open a file or an address in a view of so many CSS pixels; first : script that runs before the page's own."""
        self._log("browser")
        self._log("performance")
        self._do("Emulation.clearDeviceMetricsOverride")
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        still = {"name": "prefers-reduced-motion", "value": "reduce"}
        self._do("Emulation.setEmulatedMedia", features=[scheme, still])
        self._do(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=scale,
            mobile=width < 600,
        )
        self._do("Emulation.setTouchEmulationEnabled", enabled=width < 600)
        script = (
            self._do("Page.addScriptToEvaluateOnNewDocument", source=first)["identifier"] if first else ""
        )
        self._driver.get(page if isinstance(page, str) else page.as_uri())
        if script:
            self._do("Page.removeScriptToEvaluateOnNewDocument", identifier=script)

    def resize(self, width: int, height: int = 844) -> None:
        """Another view of the same page."""
        self._do(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )

    def wait(self, script: str, *, s: float = 20.0) -> None:
        """Wait until a script says so."""
        until = time.monotonic() + s
        while not self.ask(f"return !!({script})"):
            assert time.monotonic() < until, f"never: {script}; {self.ask('return document.body.innerText')}"
            time.sleep(0.05)

    def ask(self, script: str) -> Any:
        """What a script returns."""
        return self._driver.execute_script(script)

    def press(self, keys: str) -> None:
        """Press keys, one after the other."""
        from selenium.webdriver.common.action_chains import ActionChains

        ActionChains(self._driver).send_keys(keys).perform()

    def tap(self, element: str) -> None:
        """Put a finger on the middle of what a script finds, and lift it."""
        x, y = self.ask(
            f"const r = ({element}).getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]"
        )
        self._do("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self._do("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])

    def save_into(self, folder: Path) -> None:
        """Let pages save files, into this folder."""
        self._do("Browser.setDownloadBehavior", behavior="allow", downloadPath=str(folder))

    def picture(self, path: Path) -> None:
        """Save what the view shows."""
        self._driver.save_screenshot(str(path))

    def picture_whole(self, path: Path, *, width: int, height_max: int = 2600) -> None:
        """Save the whole page, as far down as that many CSS pixels."""
        height = self.ask("return document.documentElement.scrollHeight")
        self.resize(width, min(max(height, 300), height_max))
        self.wait(
            "[...document.images].every((one) => one.complete || one.getBoundingClientRect().top > innerHeight)"
        )
        self.picture(path)

    def complaints(self) -> list[str]:
        """What the page wrote to the console since it was opened."""
        return [entry["message"] for entry in self._log("browser")]

    def _log(self, kind: str) -> list[dict[str, Any]]:
        """What the browser has logged since this was last asked."""
        entries: list[dict[str, Any]] = self._driver.get_log(kind)  # type: ignore[no-untyped-call]
        return entries

    def requests(self) -> list[str]:
        """Addresses that the page asked for since it was opened, but for what it carries itself."""
        events = (json.loads(entry["message"])["message"] for entry in self._log("performance"))
        asked = [
            event["params"]["request"]["url"]
            for event in events
            if event["method"] == "Network.requestWillBeSent"
        ]
        return [address for address in asked if not address.startswith("data:")]

    def print_pages(self) -> list[tuple[float, float]]:
        """Print the page as its style sheet wants it; width and height of each sheet of paper, mm."""
        from pypdfium2 import PdfDocument

        self._do("Emulation.clearDeviceMetricsOverride")
        printed = self._do("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]
        pdf = PdfDocument(base64.b64decode(printed))
        try:
            return [(width * 25.4 / 72, height * 25.4 / 72) for width, height in (p.get_size() for p in pdf)]
        finally:
            pdf.close()

    def _do(self, command: str, **parameters: object) -> Any:
        return self._driver.execute_cdp_cmd(command, parameters)
