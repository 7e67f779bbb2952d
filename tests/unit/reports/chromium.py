"""Browser helpers: open pages at a width, unfold them and read what a person would see."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.support.ui import WebDriverWait

CHROMIUM, DRIVER = shutil.which("chromium"), shutil.which("chromedriver")
FLAGS = [
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND",
    "--proxy-server=127.0.0.1:9",
]
"""Chromium without a window, and without any request to the network."""
WIDTHS = [390, 768, 1280]
A4 = 688
"""A4 less its margins at 96 dpi."""
CHARTS = """
return [...document.querySelectorAll('.chart')].map(c => {
  const right = e => e ? e.getBoundingClientRect().right : 9999, svg = c.querySelector('svg');
  return {id: c.id, closed: Boolean(c.closest('details:not([open])')), drawn: c.dataset.drawn,
    label: c.getAttribute('aria-label'), over: right(svg) - right(c),
    marks: c.querySelectorAll('svg .role-mark path, svg .role-mark rect, svg .role-mark line').length,
    finding: (c.closest('figure').querySelector('.finding') || {}).textContent,
    table: c.closest('figure').parentElement.querySelectorAll('table tbody tr').length
      || c.closest('.small')?.nextElementSibling.querySelectorAll('table tbody tr').length}})
"""


def start_chromium(*, reaches_own_machine: bool = False) -> webdriver.Chrome:
    """Start a headless Chromium whose logs of console and network can be read.

    Args:
        reaches_own_machine: let it open pages of servers on 127.0.0.1.
    """
    options = webdriver.ChromeOptions()
    options.binary_location = str(CHROMIUM)
    own = ["--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"] if reaches_own_machine else []
    for flag in [*FLAGS, *own]:
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(options=options, service=Service(str(DRIVER)))


def resize(browser: webdriver.Chrome, width: int) -> None:
    """Give the window another width, that of a phone below 600 pixels."""
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)


@contextmanager
def on_paper(browser: webdriver.Chrome) -> Iterator[None]:
    """Show pages in a block as they are printed on A4."""
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    resize(browser, A4)
    try:
        yield
    finally:
        browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def opened(browser: webdriver.Chrome, page: Path, width: int, part: str = "") -> webdriver.Chrome:
    """Open a page and wait until every chart outside closed folds is drawn."""
    resize(browser, width)
    browser.get_log("browser")
    browser.get("about:blank")
    browser.get(page.as_uri() + part)
    script = "return !document.querySelector('.chart') || document.body.dataset.charts === 'done'"
    WebDriverWait(browser, 30).until(lambda b: b.execute_script(script))
    return browser


ALIKE = "details.fold[data-machine] ~ details.fold[data-machine], details.fold[data-soil] ~ details.fold[data-soil]"
"""Folds of machines or classes after the first one, which have the same structure as the first."""


def unfold(browser: webdriver.Chrome, but: str = "#nothing") -> None:
    """Open all folds except those of a selector, and wait until every visible chart is drawn."""
    script = "for (const d of document.querySelectorAll('details')) d.open = !d.matches(arguments[0])"
    browser.execute_script(script, but)
    script = (
        "return [...document.querySelectorAll('.chart')]"
        ".every(c => c.dataset.drawn === 'yes' || c.closest('details:not([open])'))"
    )
    WebDriverWait(browser, 60).until(lambda b: b.execute_script(script))


def fold(browser: webdriver.Chrome) -> None:
    """Close all folds."""
    browser.execute_script("for (const d of document.querySelectorAll('details')) d.open = false")


def overflow(browser: webdriver.Chrome) -> int:
    """Return the number of pixels by which the page is wider than its window."""
    wide, seen = browser.execute_script("const e = document.documentElement; return [e.scrollWidth, e.clientWidth]")
    return int(wide - seen)


THIN = """
const drop = (elements, n) => [...elements].slice(n).forEach(e => e.remove());
drop(document.querySelectorAll(arguments[0]), 0);
for (const d of document.querySelectorAll('details:not([open])'))
  drop([...d.children].filter(e => e.tagName !== 'SUMMARY'), 0);
const marks = 'svg .role-mark, svg [class*=role-axis-], svg [role=listbox] > g';
for (const g of document.querySelectorAll(`${marks}, .cards, .small`)) drop(g.children, 3);
for (const b of document.querySelectorAll('tbody')) drop(b.rows, 3);
"""
"""Script that removes closed folds, and all but three of the rows, marks, cards and small figures of a kind."""
AXE = files("axe_core_python").joinpath("axe.min.js").read_text("utf-8")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "best-practice"], "resultTypes": ["violations"]}


def axe_violations(browser: webdriver.Chrome, *, is_thinned: bool = True) -> list[Any]:
    """Return the rules of accessibility that the open page breaks, pictures included: id, count and first element.

    Args:
        browser: the browser.
        is_thinned: True to remove repeated elements first, which makes the check many times faster; the page cannot be
            used afterwards.
    """
    if is_thinned:
        browser.execute_script(THIN, ALIKE)
    browser.execute_script(AXE)
    found: list[Any] = browser.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, arguments[0]).then(r => done(r.violations.map(v => [v.id, v.nodes.length,"
        "v.nodes[0].html.slice(0, 160), v.nodes[0].failureSummary])))",
        RULES,
    )
    return found


def console_errors(browser: webdriver.Chrome) -> list[str]:
    """Return the errors and warnings on the console since the page was opened."""
    return [e["message"] for e in browser.get_log("browser") if e["level"] in {"SEVERE", "WARNING"}]


def choose(browser: webdriver.Chrome, mark: str, value: str) -> None:
    """Select a value of a page filter, as a person does."""
    browser.execute_script(
        "const s = document.querySelector(`.filters select[data-mark=${arguments[0]}]`); s.value = arguments[1];"
        "s.dispatchEvent(new Event('change', {bubbles: true}))",
        mark,
        value,
    )


def evaluate(browser: webdriver.Chrome, script: str, *values: Any) -> Any:
    """Return the result of a script run in the page."""
    return browser.execute_script(script, *values)
