"""Pictures of the Prefect pages of a run: task graph, logs, artifact, list of runs and deployments.

Run: .venv/bin/python -m tests.support.prefect_pictures ADDRESS FOLDER

ADDRESS is that of the pages, as `taretrace serve --ui` prints it. The newest finished run of the flow `post-shift` is
shown. Needs Chromium and its driver.
"""

import base64
import json
import sys
import time
import urllib.request
from pathlib import Path
from typing import Any

from selenium import webdriver
from selenium.webdriver.support.ui import WebDriverWait

from tests.unit.reports.chromium import start_chromium

WIDTH, HEIGHT, PATIENCE_S = 1440, 1000, 60


def ask(address: str, path: str, body: dict[str, Any]) -> Any:
    """Return the answer of the server's API."""
    request = urllib.request.Request(
        f"{address}/api{path}", json.dumps(body).encode(), {"Content-Type": "application/json"}, method="POST"
    )
    with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
        return json.load(answer)


def newest_run(address: str) -> str:
    """Return the id of the newest finished run of the post-shift flow."""
    wanted = {
        "flows": {"name": {"any_": ["post-shift"]}},
        "flow_runs": {"state": {"type": {"any_": ["COMPLETED"]}}},
        "sort": "END_TIME_DESC",
    }
    return str(ask(address, "/flow_runs/filter", wanted)[0]["id"])


def picture(driver: webdriver.Chrome, url: str, texts: list[str], path: Path, click: str = "") -> str:
    """Take a picture of a page after all of `texts` are on it; return its text.

    Args:
        driver: the browser.
        url: address of the page.
        texts: texts to wait for, without regard to upper and lower case.
        path: the file to write.
        click: label of a tab to open first.
    """
    driver.get(url)
    if click:
        tabs = "return [...document.querySelectorAll('*')].find(b => !b.children.length && b.textContent.trim() === %s)"
        WebDriverWait(driver, PATIENCE_S).until(lambda d: d.execute_script(tabs % json.dumps(click))).click()
    shown = "return document.body.innerText.toLowerCase()"
    WebDriverWait(driver, PATIENCE_S).until(lambda d: all(t.lower() in d.execute_script(shown) for t in texts))
    time.sleep(2)  # the graph is drawn on a canvas, which no text announces
    clip = {"x": 0, "y": 0, "width": WIDTH, "height": HEIGHT, "scale": 1}
    shot = driver.execute_cdp_cmd("Page.captureScreenshot", {"clip": clip})
    path.write_bytes(base64.b64decode(shot["data"]))
    return str(driver.execute_script("return document.body.innerText"))


def take_pictures(address: str, folder: Path) -> dict[str, str]:
    """Take all pictures; return the text of each page by name."""
    run = newest_run(address)
    of_run = {"artifacts": {"flow_run_id": {"any_": [run]}, "type": {"any_": ["markdown"]}}}
    (artifact,) = ask(address, "/artifacts/filter", of_run)
    folder.mkdir(parents=True, exist_ok=True)
    driver = start_chromium(reaches_own_machine=True)
    metrics = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 1, "mobile": False}
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    page = f"{address}/runs/flow-run/{run}"
    try:
        return {
            "graph": picture(driver, page, ["post-shift", "Completed"], folder / "graph.png"),
            "logs": picture(driver, page, ["files read"], folder / "logs.png", "Logs"),
            "stages": picture(driver, page, ["receive files", "fit responses"], folder / "stages.png", "Task Runs"),
            "artifact": picture(
                driver, f"{address}/artifacts/artifact/{artifact['id']}", ["next shift"], folder / "artifact.png"
            ),
            "runs": picture(driver, f"{address}/runs", ["post-shift"], folder / "runs.png"),
            "deployments": picture(driver, f"{address}/deployments", ["nightly-refit"], folder / "deployments.png"),
        }
    finally:
        driver.quit()


if __name__ == "__main__":
    if len(sys.argv) != 3:
        raise SystemExit("usage: python -m tests.support.prefect_pictures ADDRESS FOLDER")
    take_pictures(sys.argv[1], Path(sys.argv[2]))
