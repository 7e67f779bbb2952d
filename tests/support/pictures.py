"""Pictures of the README and the gallery: the main pages of a season on a phone and at a desk, side by side.

Run: .venv/bin/python -m tests.support.pictures WORKSPACE [FOLDER]

WORKSPACE is a finished demo season (`taretrace demo WORKSPACE`). The pages are written again, and the pictures go to
`reports/pictures/`. With FOLDER, every page is written instead, and its pictures at a desk, on a phone and on A4 paper
go there, to be looked at. Needs Chromium and its driver.
"""

import base64
import html
import sys
import tempfile
from contextlib import nullcontext
from pathlib import Path

from selenium import webdriver

from flows import stages
from flows.pipeline.delivery import deliver_pages
from flows.runtime.progress import Reporter
from flows.stages import pages
from reports.pages.index_data import INDEX
from tests.unit.reports.chromium import A4, on_paper, opened, start_chromium
from tests.unit.reports.conftest import followed_page_of
from transforms.config.workspace import Workspace
from transforms.storage.warehouse import Warehouse

PICTURES = Path(__file__).parents[2] / "reports" / "pictures"
PHONE, DESK, HEIGHT = 390, 1280, 844
GAP_PX, SCALE = 24, 0.75
MAX_HEIGHT = 5000
"""Longer pages are cut off: what follows are tables."""


def written_pages(workspace: Workspace) -> dict[str, Path]:
    """Write the five main pages of a season and return their paths by name."""
    quiet = Reporter(quiet=True)
    grower = pages.publish_grower_sheets(workspace, quiet)[0]
    return {
        "shift": pages.publish_shift_page(workspace, quiet)[0],
        "season": pages.publish_season_report(workspace, quiet)[0],
        "fleet": pages.publish_fleet_page(workspace, quiet)[0],
        "guide": pages.publish_guide(workspace, quiet)[0],
        "grower": grower,
    }


def every_page(workspace: Workspace) -> dict[str, Path]:
    """Write every kind of page of a season, followed advice with an invented outcome, and return the paths by name."""
    quiet = Reporter(quiet=True)
    main = written_pages(workspace)
    evidence = {f"shift-{p.stem.rsplit('-', 1)[1]}": p for p in workspace.out.glob("shift-????-??-??-*.html")}
    season = {p.stem: p for p in workspace.out.glob("season-*.html")}
    query = stages.TrialAsked("cleaner_1_speed_rpm", "M02", None, None, None, 20.0)
    with Warehouse.open_read_only(workspace.warehouse) as warehouse:
        load = warehouse.table("load_why")["load_id"].sort()[0]
    found = {
        **main,
        **evidence,
        **season,
        "card": min(workspace.out.glob("card-*.html")),
        "what-if": pages.publish_what_if_page(workspace, quiet),
        "load": pages.publish_load_page(workspace, load, None, quiet)[0],
        "sheet": stages.plan_trial(workspace, query).sheet,
        "followed": followed_page_of(workspace, workspace.out),
    }
    deliver_pages(workspace, quiet)
    return {**found, "index": workspace.out / INDEX}


def take_all(driver: webdriver.Chrome, found: dict[str, Path], folder: Path) -> None:
    """Take whole pages at a desk, on a phone and on paper into a folder."""
    for name, page in found.items():
        for size, width in (("desk", DESK), ("phone", PHONE), ("paper", A4)):
            with on_paper(driver) if size == "paper" else nullcontext():
                opened(driver, page, width)
                height = min(driver.execute_script("return document.documentElement.scrollHeight"), MAX_HEIGHT)
                (folder / f"{name}-{size}.png").write_bytes(screenshot(driver, width, height))


def screenshot(driver: webdriver.Chrome, width: int, height: int = HEIGHT) -> bytes:
    """Return the open page from its top as PNG."""
    clip = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"clip": clip, "captureBeyondViewport": True})
    return base64.b64decode(shot["data"])


def side_by_side(driver: webdriver.Chrome, shots: list[bytes], folder: Path) -> bytes:
    """Return screenshots side by side, framed and scaled down, as one PNG."""
    images = "".join(
        f'<img height="{HEIGHT * SCALE:.0f}" src="data:image/png;base64,{base64.b64encode(s).decode()}">' for s in shots
    )
    style = (
        f"body{{margin:0;padding:{GAP_PX}px;display:flex;gap:{GAP_PX}px;background:#e7e1d6}}img{{border-radius:8px}}"
    )
    frame = folder / "frame.html"
    frame.write_text(f"<!doctype html><title>{html.escape(folder.name)}</title><style>{style}</style>{images}", "utf-8")
    width = round((PHONE + DESK) * SCALE + 3 * GAP_PX)
    height = round(HEIGHT * SCALE + 2 * GAP_PX)
    metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    driver.get(frame.as_uri())
    return base64.b64decode(driver.execute_cdp_cmd("Page.captureScreenshot", {})["data"])


def main() -> None:
    """Write the pictures of a workspace's pages."""
    if len(sys.argv) not in {2, 3}:
        raise SystemExit("usage: python -m tests.support.pictures WORKSPACE [FOLDER]")
    workspace = Workspace(Path(sys.argv[1]))
    target = Path(sys.argv[2]) if len(sys.argv) == 3 else PICTURES
    target.mkdir(parents=True, exist_ok=True)
    driver = start_chromium()
    try:
        if target != PICTURES:
            take_all(driver, every_page(workspace), target)
            return
        with tempfile.TemporaryDirectory() as folder:
            for name, page in written_pages(workspace).items():
                shots = [screenshot(opened(driver, page, width), width) for width in (PHONE, DESK)]
                (target / f"{name}.png").write_bytes(side_by_side(driver, shots, Path(folder)))
                print(target / f"{name}.png")
    finally:
        driver.quit()


if __name__ == "__main__":
    main()
