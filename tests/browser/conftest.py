"""A Chromium of the system, without its own network traffic."""

import shutil

import pytest


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not path:
        pytest.skip("no Chromium on this machine")
    return {
        **browser_type_launch_args,
        "executable_path": path,
        "args": [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--no-first-run",
        ],
    }
