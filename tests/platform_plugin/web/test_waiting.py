"""A case that takes long to open: what is said meanwhile, and to whom."""

import asyncio

import pytest

pytest.importorskip("trame_server", reason="the viewer's packages are not installed")

import aiohttp
from cotyle_platform.web import waiting
from cotyle_platform.web.waiting import WaitingPage, say_while_slow, waited_for


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    monkeypatch.setattr(waiting, "PATIENCE_S", 0.05)


async def slow():
    await asyncio.sleep(0.3)
    return "opened"


async def quick():
    return "opened"


def test_what_opens_at_once_is_not_spoken_of(capsys, monkeypatch):
    monkeypatch.setattr(waiting.webbrowser, "open", lambda _: pytest.fail("no page is needed"))
    assert asyncio.run(waited_for(quick(), None, 0, None, True)) == ("opened", None)
    assert capsys.readouterr().err == ""


def test_what_takes_long_is_said_on_the_terminal_and_in_the_browser_where_the_page_will_be(capsys, monkeypatch):
    links = []
    monkeypatch.setattr(waiting.webbrowser, "open", links.append)
    found, page = asyncio.run(waited_for(slow(), None, 0, None, True))
    assert found == "opened"
    assert "compiled, once" in capsys.readouterr().err
    assert links == [page.guard.link]
    assert page.port > 0


def test_without_a_browser_the_terminal_alone_is_told(capsys):
    assert asyncio.run(waited_for(slow(), None, 0, None, False)) == ("opened", None)
    assert capsys.readouterr().err.count("\n") == 1


def test_the_waiting_page_answers_to_its_link_alone_and_says_that_more_comes():
    async def ask():
        page = WaitingPage(None, 0, None)
        await page.start()
        base = page.guard.link.split("/?")[0]
        try:
            async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as client:
                async with client.get(base + "/") as answer:
                    stranger = answer.status
                async with client.get(page.guard.link) as answer:
                    shown = await answer.text()
                async with client.get(base + "/cotyle/icon.svg") as answer:
                    later = answer.status
        finally:
            await page.close()
        return stranger, shown, later

    stranger, shown, later = asyncio.run(ask())
    assert (stranger, later) == (403, 204)
    assert "being made ready" in shown
    assert "not a medical device" in shown


def test_a_first_measurement_that_takes_long_is_explained_until_it_is_there():
    class Session:
        full = None

        def subscribe(self, listener):
            self.listener = listener

    async def run():
        session, said = Session(), []
        say_while_slow(session, said.append)
        await asyncio.sleep(0.1)
        session.listener("full", 0)
        session.listener("full", 1)
        return said

    said = asyncio.run(run())
    assert len(said) == 2
    assert "compiled, once" in said[0]
    assert said[1] == ""
