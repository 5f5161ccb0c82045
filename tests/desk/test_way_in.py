"""Who gets in, and what a form from elsewhere achieves: nothing."""

import re
import subprocess
import sys

import pytest


def test_another_site_can_neither_read_nor_act(desk):
    for name, value in (
        ("Origin", "http://evil.example"),
        ("Origin", "null"),
        ("Host", f"evil.example:{desk.port}"),
        ("Sec-Fetch-Site", "cross-site"),
    ):
        status, _, text = desk.ask("GET", "/players", **{name.replace("-", "_"): value})
        assert status == 403, (name, value)
        assert "Robin" not in text
    for origin in ("http://evil.example", "null", "http://127.0.0.1:1"):
        status, _ = desk.send("/players/1/delete", origin)
        assert status == 403
    assert "Robin Ashdown" in desk.cli("set", "list")


def test_a_form_without_an_origin_is_refused(desk):
    status, _, _ = desk.ask(
        "POST", "/players/1/delete", b"", Content_Type="application/x-www-form-urlencoded"
    )
    assert status == 403


@pytest.mark.parametrize("path", ["/", "/players", "/sets/1", "/start?set=1", "/changes"])
def test_the_policy_lets_nothing_in_from_elsewhere(desk, path):
    """W3C, Content Security Policy Level 3: nothing by default, our own files only."""
    _, headers, text = desk.ask("GET", path)
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(r"\son\w+=|\sstyle=|<style", text)


@pytest.mark.parametrize(
    "path", ["/sets/999", "/players/999", "/sessions/999", "/start?set=999", "/start?set=x"]
)
def test_what_is_not_there_is_said_in_one_line(desk, path):
    status, _, text = desk.ask("GET", path)
    assert status in (400, 404)
    assert "Traceback" not in text
    assert "there is no" in text


def test_a_way_back_leads_to_nobody_elses_site(desk):
    for back in ("//evil.example", "https://evil.example/", "/\\evil.example"):
        assert desk.send("/units", units="in", back=back) == (303, "/")
    assert desk.send("/units", units="mm", back="/sets/1") == (303, "/sets/1")


def test_a_second_desk_opens_the_running_one(desk):
    done = subprocess.run(
        [sys.executable, "-m", "logger", "desk", "--no-browser"],
        env=desk.environment, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0
    assert f"the desk runs already: {desk.address}/" in done.stdout


def test_a_taken_port_gives_way_to_the_next(desk, new_desk):
    other = new_desk().start(port=desk.port)
    assert other.port == desk.port + 1
