"""What the server tells the browser, what it refuses, and that nothing comes from elsewhere."""

from __future__ import annotations

import json
import re
from importlib.resources import files

import pytest
from flask.testing import FlaskClient

from dashboards.app import make_app
from dosetrack.workflow import Workflow

UPDATE = "/_dash-update-component"


@pytest.fixture
def client(workflow: Workflow) -> FlaskClient:
    return make_app(workflow).server.test_client()


@pytest.mark.parametrize("path", ["/", "/room/Room%202", "/assets/style.css"])
def test_every_answer_carries_the_headers(client: FlaskClient, path: str) -> None:
    with client.get(path) as answer:
        headers = answer.headers
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] == "no-referrer"


def test_inline_scripts_run_by_digest_alone(client: FlaskClient) -> None:
    policy = client.get("/").headers["Content-Security-Policy"]
    scripts = next(part for part in policy.split("; ") if part.startswith("script-src"))
    assert "'sha256-" in scripts
    assert "unsafe" not in scripts


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.invalid"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
    ids=["origin", "cross-site", "same-site"],
)
def test_posts_of_other_sites_are_refused(client: FlaskClient, headers: dict[str, str]) -> None:
    assert client.post(UPDATE, json={}, headers=headers).status_code == 403


def test_posts_of_our_own_pages_pass(client: FlaskClient) -> None:
    headers = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}
    body = {
        "output": "..shell-page.children...shell-navigation.children...shell-title.data..."
        "shell.data-ground...shell.style...shell-provider.forceColorScheme..",
        "outputs": [
            {"id": "shell-page", "property": "children"},
            {"id": "shell-navigation", "property": "children"},
            {"id": "shell-title", "property": "data"},
            {"id": "shell", "property": "data-ground"},
            {"id": "shell", "property": "style"},
            {"id": "shell-provider", "property": "forceColorScheme"},
        ],
        "inputs": [
            {"id": "shell-location", "property": "pathname", "value": "/case"},
            {"id": "shell-location", "property": "search", "value": ""},
        ],
        "changedPropIds": ["shell-location.pathname"],
    }
    answer = client.post(UPDATE, json=body, headers=headers)
    assert answer.status_code == 200
    assert "Cases" in json.dumps(answer.get_json())


def test_the_page_names_no_other_host(client: FlaskClient) -> None:
    page = client.get("/").get_data(as_text=True)
    found = [m for m in re.findall(r"""(?:src|href)=["']([^"']+)""", page) if "//" in m]
    assert found == []


def test_our_assets_name_no_other_host() -> None:
    folder = files("dashboards") / "assets"
    for asset in folder.iterdir():
        assert not re.search(r"(?:https?:)?//[a-z0-9]", asset.read_bytes().decode("utf-8", "replace")), (
            asset.name
        )


def test_pages_are_not_kept_by_the_browser(client: FlaskClient) -> None:
    assert client.get("/").headers["Cache-Control"] == "no-store"
