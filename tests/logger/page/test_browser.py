"""The bench page in a real browser: figures move, phone and desktop, no violation, no foreign script.

Needs what tests/support/browser.py says. Accessibility rules: axe-core, WCAG 2.2 A and AA and its best practices.
"""

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from firmware_probe.twin import vest
from firmware_probe.twin.links import best_link
from firmware_probe.twin.serve import BoardServer
from logger.base.pack import Pack
from logger.run.description import Stop
from logger.run.format import DESCRIPTION_NAME, SAMPLES_NAME
from tests.support.browser import Browser, Page, expect, running_browser, violations
from tests.support.page_bench import (
    address_of,
    elsewhere,
    free_port,
    logging,
    make_run,
    page_run,
    row,
    serving,
)

pytestmark = pytest.mark.browser

PHONE = {"width": 360, "height": 740}
DESKTOP = {"width": 1280, "height": 900}
VEST: dict[str, Any] = {
    "title": "Night-ride vest",
    "load": "24 addressable LEDs",
    "pack": Pack("alkaline", 3, "AA", 2400.0),
    "stop": Stop(cutoff_v=2.7, hold_s=10.0),
    "marks": ("pattern B on",),
}
HOSTILE = (
    "<img src=x onerror=window.hacked=1>", "</script><script>window.hacked=1</script>", "{{7*7}}${7*7}",
    "\"><svg onload=window.hacked=1>", "javascript:window.hacked=1", "‮\u0000\u2028 ';window.hacked=1;'",
)  # fmt: skip


browser = pytest.fixture(scope="module")(running_browser)


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    context = browser.new_context(viewport=DESKTOP)  # type: ignore[arg-type]
    found = context.new_page()
    troubles: list[str] = []
    found.on("pageerror", lambda error: troubles.append(str(error)))
    found.on(
        "console",
        lambda message: troubles.append(message.text) if message.type == "error" else None,
    )
    foreign: list[str] = []
    found.on("request", lambda request: foreign.append(request.url) if "127.0.0.1" not in request.url and not request.url.startswith("data:") else None)  # fmt: skip
    yield found
    context.close()
    refusals = (
        "401 (Unauthorized)",
        "403 (Forbidden)",
        "net::ERR_",
        "404 (Not Found)",
    )
    assert [text for text in troubles if not any(known in text for known in refusals)] == []
    assert foreign == []


def opened(page: Page, address: str) -> None:
    page.goto(address)
    expect(page.locator("#bench")).to_be_visible()
    expect(page.locator("#plots svg")).not_to_have_count(0)


def test_figures_and_plots_move_while_rows_come(page: Page, tmp_path: Path) -> None:
    folder = make_run(tmp_path, rows=30, **VEST)
    with serving(page_run(folder)) as client:
        opened(page, client.server.address)
        expect(page.locator("#pack_v")).to_have_text("4.210 V")
        line = page.locator("#plots svg .line.pack_v").last
        before = line.get_attribute("points")
        with (folder / SAMPLES_NAME).open("a", newline="") as stream:
            stream.write("".join(row(n, 3.9) for n in range(30, 60)))
        expect(page.locator("#pack_v")).to_have_text("3.900 V")
        expect(page.locator("#current_ma")).to_have_text("80.00 mA")
        assert line.get_attribute("points") != before
        assert page.title() == "3.90 V · Night-ride vest"
        assert page.url.endswith("/"), "the key stays in the address bar"
        assert "cutoff 2.7 V" in (
            page.locator("#plots svg").first.get_attribute("aria-label") or ""
        )
        # A moment is read with the keyboard.
        page.focus("#moment")
        page.keyboard.press("Home")
        assert "After 0 s: 4.5" in (page.locator("#readout").text_content() or "")
        page.click("summary")
        expect(page.locator("#table tr").nth(5)).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_no_accessibility_violation_and_nothing_runs_over_the_edge(
    page: Page, tmp_path: Path, size: dict[str, int], scheme: Any
) -> None:
    folder = make_run(tmp_path / "one", rows=400, **VEST)
    other = make_run(
        tmp_path / "two",
        rows=40,
        title="Jewellery, " + "very long name " * 6,
        state="ended",
        end_text="ended with Ctrl-C",
    )
    run = page_run(folder, control=lambda what, text: None)
    run.live = {"load": "1", "phase": "recording"}
    page.set_viewport_size(size)  # type: ignore[arg-type]
    page.emulate_media(color_scheme=scheme)
    with serving(run, page_run(other, "r2")) as client:
        page.goto(client.server.address.split("#")[0])
        expect(page.locator("#door")).to_be_visible()
        assert violations(page) == []
        page.fill("#door-key", client.server.address)
        page.click("#door button")
        expect(page.locator("#plots svg")).not_to_have_count(0)
        expect(page.locator("#actions")).to_be_visible()
        page.click("summary")
        assert violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
        page.click("#load-off")
        expect(page.locator("#sure")).to_be_visible()
        assert violations(page) == []
        page.keyboard.press("Escape")
        page.click("#runs a >> nth=1")
        expect(page.locator("#phase")).to_have_text("ended")
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


def test_the_load_is_switched_off_only_after_a_yes(page: Page, tmp_path: Path) -> None:
    done: list[tuple[str, str]] = []
    run = page_run(make_run(tmp_path, **VEST), control=lambda what, text: done.append((what, text)))
    run.live = {"load": "1", "phase": "recording"}
    with serving(run) as client:
        opened(page, client.server.address)
        page.click("#load-off")
        page.keyboard.press("Enter")  # "leave it on" has the focus
        expect(page.locator("#sure")).to_be_hidden()
        page.click("#load-off")
        page.keyboard.press("Escape")
        assert done == []
        page.click("#load-off")
        page.click("#sure-yes")
        expect(page.locator("#mark-said")).to_have_text(re.compile("open its switch"))
        assert done == [("load-off", "")]


def test_hostile_names_and_notes_run_no_script(page: Page, tmp_path: Path) -> None:
    folder = make_run(
        tmp_path / "run", title=HOSTILE[0], load=HOSTILE[1], notes=HOSTILE[3], author=HOSTILE[2], marks=HOSTILE, end_text=HOSTILE[5]
    )  # fmt: skip
    with serving(
        page_run(folder), page_run(make_run(tmp_path / "b", title=HOSTILE[3]), "r2")
    ) as client:
        opened(page, client.server.address)
        expect(page.locator("#title")).to_have_text(HOSTILE[0])
        expect(page.locator("#events li")).to_have_count(len(HOSTILE))
        assert page.evaluate("window.hacked") is None
        assert page.locator("img:not([id]), main script, #events svg, #runs svg").count() == 0
        for hostile in HOSTILE[:4]:
            page.goto(f"{client.origin}/?run={hostile}")
            expect(page.locator("#notice")).to_be_visible()
            assert page.evaluate("window.hacked") is None


def test_two_pages_a_used_key_and_a_wrong_clock(
    browser: Browser, page: Page, tmp_path: Path
) -> None:
    with serving(page_run(make_run(tmp_path, **VEST))) as client:
        used = client.server.address
        opened(page, used)
        context = browser.new_context()
        second = context.new_page()
        # Half a day ahead, as a phone's clock may be.
        second.clock.install(time=2_000_000_000_000)
        second.goto(used)
        expect(second.locator("#door-words")).to_have_text(re.compile("not valid any more"))
        second.fill("#door-key", client.server.keys.act)
        second.click("#door button")
        expect(second.locator("#pack_v")).to_have_text("4.010 V")
        expect(second.locator("#elapsed")).to_have_text("5 s")
        expect(page.locator("#pack_v")).to_have_text("4.010 V")
        context.close()


@pytest.mark.parametrize("lan", [False, True], ids=["here", "network"])
def test_every_screen_without_a_complaint_and_nothing_kept(
    browser: Browser, tmp_path: Path, lan: bool
) -> None:
    """The browser judges: our content policy and headers at an address that it trusts, and at one that it does not."""
    run = page_run(make_run(tmp_path / "a", **VEST), control=lambda what, text: None)
    run.live = {"load": "1", "phase": "recording"}
    ended = page_run(make_run(tmp_path / "b", title="old one", state="ended"), "r2")
    context = browser.new_context(viewport={"width": 320, "height": 640})
    context.add_init_script(
        "document.addEventListener('securitypolicyviolation', (e) => console.error(`violated: ${e.violatedDirective} ${e.blockedURI}`))"
    )
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(f"{message.type}: {message.text}"))
    page.on("pageerror", lambda error: said.append(f"thrown: {error}"))
    page.on("request", lambda request: asked.append(request.url))
    with serving(run, ended, lan=lan) as client:
        start = client.server.address.split("#")[0]
        page.goto(start)
        expect(page.locator("#door")).to_be_visible()
        page.fill("#door-key", "act-wrong")
        page.click("#door button")
        expect(page.locator("#door-words")).to_have_text(re.compile("not valid any more"))
        page.fill("#door-key", client.server.link(client.server.keys.look))  # type: ignore[union-attr]
        page.click("#door button")
        expect(page.locator("#why-not")).to_have_text(re.compile("may look. For marks"))
        expect(page.locator("#actions")).to_be_hidden()
        expect(page.locator("#act-code")).to_be_hidden()
        if lan:  # nobody else can reach the page otherwise
            page.click("#look-code summary")
            assert page.locator("#code-look[src]").evaluate(DECODED) > 100
        else:
            expect(page.locator("#look-code")).to_be_hidden()
        page.goto(client.server.address)
        page.reload()
        expect(page.locator("#actions")).to_be_visible()
        if lan:
            page.click("#act-code summary")
            assert page.locator("#code-act[src]").evaluate(DECODED) > 100
        page.click("#load-off")
        expect(page.locator("#sure")).to_be_visible()
        page.click("#sure-yes")
        expect(page.locator("#mark-said")).to_have_text(re.compile("open its switch"))
        page.click("#theme")
        page.click("#runs a >> nth=1")
        expect(page.locator("#phase")).to_have_text("ended")
        page.goto(f"{start}?run=nothing")
        expect(page.locator("#notice")).to_have_text("There is no such run.")
        page.goto(start)
        expect(page.locator("#title")).to_have_text("Night-ride vest")
        assert page.evaluate("document.cookie") == ""
        page.click("#leave")
        expect(page.locator("#door")).to_be_visible()
        page.go_back()
        expect(page.locator("#door")).to_be_visible()
        assert "Night-ride" not in page.content()
        assert page.evaluate("[Object.keys(localStorage), sessionStorage.length]") == [["theme"], 0]
        assert all(url.startswith((start, "data:")) for url in asked)
    context.close()
    known = ("401 (Unauthorized)", "403 (Forbidden)", "404 (Not Found)", "net::ERR_")
    assert [text for text in said if not any(word in text for word in known)] == []


DECODED = "img => img.decode().then(() => img.naturalWidth)"
ATTACK = """
<!doctype html><title>elsewhere</title><iframe id=frame src="TARGET/"></iframe>
<form id=form method=post action="TARGET/act" target=hole enctype="text/plain"><input name='{"run":"r1","what":"mark","text":"hostile","a":"' value='"}'></form>
<iframe name=hole></iframe><script>
const got = {};
async function tried(name, work) { try { got[name] = await work(); } catch (e) { got[name] = "stopped"; } }
const wish = JSON.stringify({ run: "r1", what: "mark", text: "hostile" });
const own = { "Content-Type": "application/json", "X-Drawbench": "1" };
async function attack() {
  await tried("blind", async () => (await fetch("TARGET/act", { method: "POST", mode: "no-cors", credentials: "include", body: wish })).type);
  await tried("open", async () => (await fetch("TARGET/act", { method: "POST", credentials: "include", headers: own, body: wish })).status);
  await tried("read", async () => (await fetch("TARGET/stream", { credentials: "include" })).text());
  await tried("page", async () => (await fetch("TARGET/", { credentials: "include" })).text());
  await tried("events", () => new Promise((yes, no) => { const s = new EventSource("TARGET/stream", { withCredentials: true }); s.onmessage = (e) => yes(e.data); s.onerror = no; }));
  await tried("script", () => new Promise((yes, no) => { const s = document.createElement("script"); s.src = "TARGET/stream"; s.onload = () => yes("loaded"); s.onerror = no; document.body.append(s); }));
  await tried("picture", () => new Promise((yes, no) => { const s = new Image(); s.src = "TARGET/code?for=act"; s.onload = () => yes("loaded"); s.onerror = no; }));
  await tried("frame", () => document.querySelector("#frame").contentWindow.document.title);
  document.querySelector("#form").submit();
  return got;
}
</script>"""


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost"], ids=["same site", "cross site"])
def test_another_site_cannot_act_nor_frame_nor_read(
    browser: Browser, tmp_path: Path, name: str
) -> None:
    """A page on another port of the same computer, opened in a browser that may act."""
    done: list[tuple[str, str]] = []
    run = page_run(make_run(tmp_path, **VEST), control=lambda what, text: done.append((what, text)))
    context = browser.new_context()
    mine, theirs = context.new_page(), context.new_page()
    with serving(run) as client:
        opened(mine, client.server.address)
        with elsewhere(ATTACK.replace("TARGET", client.origin)) as port:
            theirs.goto(f"http://{name}:{port}/")
            got = theirs.evaluate("attack()")
            theirs.wait_for_timeout(300)
            framed = [frame.url for frame in theirs.frames[1:]]
            window = theirs.evaluate("w = window.open('TARGET/'), new Promise(yes => setTimeout(() => { try { yes(w.document.title) } catch { yes('stopped') } }, 500))".replace("TARGET", client.origin))  # fmt: skip
        assert done == []
        mine.fill("#mark-text", "own mark")
        mine.click("text=Set a mark")
        expect(mine.locator("#mark-said")).to_have_text("Noted: own mark")
        assert done == [("mark", "own mark")]
    context.close()
    assert got.pop("blind") in ("opaque", "stopped"), (
        "sent, not read; and refused, as nothing was done"
    )
    assert set(got.values()) == {"stopped"}, got
    assert len(got) == 7
    assert all(
        url.startswith("chrome-error:") or not url.startswith(client.origin) for url in framed
    )
    assert window in ("stopped", ""), "a window of ours is out of reach"


def test_a_lost_server_is_said(page: Page, tmp_path: Path) -> None:
    with serving(page_run(make_run(tmp_path, **VEST))) as client:
        page.clock.install()
        opened(page, client.server.address)
    page.clock.fast_forward(60_000)
    expect(page.locator("#notice")).to_have_text(re.compile("No word from the laptop"))


def test_an_open_page_goes_on_with_a_page_that_took_over(page: Page, tmp_path: Path) -> None:
    done: list[tuple[str, str]] = []
    run = page_run(make_run(tmp_path, **VEST), control=lambda what, text: done.append((what, text)))
    with serving(run, port=free_port()) as before:
        opened(page, before.server.address)
        page.fill("#mark-text", "half written")
    with (tmp_path / SAMPLES_NAME).open("a", newline="") as stream:
        stream.write("".join(row(n, 3.3) for n in range(50, 90)))
    again = page_run(tmp_path, control=lambda what, text: done.append((what, text)))
    with serving(again, after=before):
        expect(page.locator("#pack_v")).to_have_text("3.300 V", timeout=20_000)
        page.click("text=Set a mark")
        expect(page.locator("#mark-said")).to_have_text("Noted: half written")
    assert done == [("mark", "half written")]


@pytest.mark.slow
def test_a_mark_set_in_the_browser_is_in_the_run_of_a_simulated_board(
    page: Page, tmp_path: Path
) -> None:
    board = vest.vest_board(window_us=1_000_000, switch_fitted=True)
    with BoardServer(board, best_link(), time_factor=200.0) as server:
        folder = tmp_path / "run"
        with logging(folder, server.port, "--cutoff", "2.7", "--pack", "3x AA alkaline") as process:
            opened(page, f"http://{address_of(process)}")
            expect(page.locator("#simulated")).to_be_visible()
            charge = page.locator("#charge_mah").text_content() or ""
            page.fill("#mark-text", "pattern B on")
            page.click("text=Set a mark")
            expect(page.locator("#events")).to_contain_text("pattern B on")
            # The forecast takes the processor first.
            expect(page.locator("#charge_mah")).not_to_have_text(charge, timeout=20_000)
    own = json.loads((folder / DESCRIPTION_NAME).read_text())["urn:drawbench:run"]
    assert "pattern B on" in [event["text"] for event in own["events"]]
