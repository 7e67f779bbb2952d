"""Pictures of the README and the gallery: the main pages of a season on a phone and at a desk, side by side.

Run: .venv/bin/python -m tests.support.pictures WORKSPACE

WORKSPACE is a finished demo season (`taretrace demo WORKSPACE`). The pages are written again, and the pictures go to
`reports/pictures/`. Needs Chromium and its driver.
"""

import base64
import html
import sys
import tempfile
from pathlib import Path

from selenium import webdriver

from flows.runtime.progress import Reporter
from flows.stages import pages
from tests.unit.reports.chromium import opened, start_chromium
from transforms.config.workspace import Workspace

PICTURES = Path(__file__).parents[2] / "reports" / "pictures"
PHONE, DESK, HEIGHT = 390, 1280, 844
GAP_PX, SCALE = 24, 0.75


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


def screenshot(driver: webdriver.Chrome, page: Path, width: int) -> bytes:
    """Return the first screen of a page at a width as PNG."""
    opened(driver, page, width)
    clip = {"x": 0, "y": 0, "width": width, "height": HEIGHT, "scale": 1}
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
    if len(sys.argv) != 2:
        raise SystemExit("usage: python -m tests.support.pictures WORKSPACE")
    PICTURES.mkdir(exist_ok=True)
    driver = start_chromium()
    try:
        with tempfile.TemporaryDirectory() as folder:
            for name, page in written_pages(Workspace(Path(sys.argv[1]))).items():
                shots = [screenshot(driver, page, width) for width in (PHONE, DESK)]
                (PICTURES / f"{name}.png").write_bytes(side_by_side(driver, shots, Path(folder)))
                print(PICTURES / f"{name}.png")
    finally:
        driver.quit()


if __name__ == "__main__":
    main()
