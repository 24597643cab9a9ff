"""The server as a stranger meets it: over the network, with headers of their own."""

import asyncio
import socket

import pytest

pytest.importorskip("trame_server", reason="the viewer's packages are not installed")

import aiohttp
from cotyle.errors import InputError
from cotyle_platform.web.server import ViewerServer
from trame.ui.html import DivLayout
from trame.widgets import html
from trame_server import Server


def made_server(**given):
    trame = Server("served", vn_constructor=None)
    trame.client_type = "vue3"
    with DivLayout(trame):
        html.Div("shown")
    return ViewerServer(trame, **given)


def served(ask, **given):
    """Run a server and what asks it, in one loop; returns what the asking returned."""

    async def run():
        server, answers = made_server(**given), []

        async def asking(link):
            try:
                async with aiohttp.ClientSession(cookie_jar=aiohttp.CookieJar(unsafe=True)) as client:
                    answers.append(await ask(server, client, link))
            finally:
                server.stop()

        tasks = []
        await asyncio.wait_for(server.run(lambda link: tasks.append(asyncio.ensure_future(asking(link)))), 60)
        for task in tasks:
            await task
        return answers[0]

    return asyncio.run(run())


async def status(client, url, **headers):
    async with client.get(url, headers=headers) as answer:
        return answer.status, await answer.text()


def base_of(link):
    return link.split("/?")[0]


def test_the_link_opens_the_page_and_a_reload_needs_no_link():
    async def ask(server, client, link):
        first = await status(client, link)
        again = await status(client, base_of(link) + "/index.html")
        return first, again

    first, again = served(ask)
    assert first[0] == again[0] == 200
    assert '<div id="app">' in first[1]
    assert '<div id="app">' in again[1]


def test_strangers_get_one_line_and_nothing_of_the_case():
    async def ask(server, client, link):
        base = base_of(link)
        port = base.rsplit(":", 1)[1]
        return [
            await status(client, base + "/"),
            await status(client, base + "/?secret=wslink-secret"),
            await status(client, base + "/vue.global.js"),
            await status(client, link, Host=f"planner.example:{port}"),
            await status(client, link, Origin="http://planner.example"),
        ]

    for code, text in served(ask):
        assert code == 403
        assert text.count("\n") == 1
        assert "Traceback" not in text


def test_the_socket_is_closed_to_pages_of_others_and_open_to_its_own():
    async def ask(server, client, link):
        base = base_of(link)
        found = []
        for token, origin in (("", base), (server.token, "http://planner.example"), (server.token, base)):
            try:
                cookies = {server.guard.cookie: token}
                async with aiohttp.ClientSession(cookies=cookies, cookie_jar=aiohttp.CookieJar(unsafe=True)) as own:
                    own.cookie_jar.update_cookies(cookies, aiohttp.client.URL(base))
                    async with own.ws_connect(base.replace("http", "ws") + "/ws", origin=origin):
                        found.append("open")
            except aiohttp.WSServerHandshakeError as error:
                found.append(error.status)
        return found

    assert served(ask) == [403, 403, "open"]


def test_headers_keep_the_page_to_itself():
    async def ask(server, client, link):
        async with client.get(link) as answer:
            return dict(answer.headers), [each["httponly"] for each in client.cookie_jar], answer.url.query_string

    headers, cookies, _ = served(ask)
    assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
    assert headers["Referrer-Policy"] == "no-referrer"
    assert cookies == [True]


def test_only_this_machine_can_reach_it_whatever_the_environment_says(monkeypatch):
    monkeypatch.setenv("TRAME_ARGS", "--host 0.0.0.0 --authKey known --port 1")
    monkeypatch.setenv("TRAME_DEFAULT_HOST", "0.0.0.0")

    async def ask(server, client, link):
        sockets = server.trame._server.site._server.sockets
        return [each.getsockname()[0] for each in sockets], link

    addresses, link = served(ask)
    assert addresses == ["127.0.0.1"]
    assert "known" not in link


def test_each_start_has_a_token_of_its_own():
    assert made_server().token != made_server().token


def test_a_port_that_is_taken_is_said_in_one_line():
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError) as refused:
            served(lambda *_: None, port=port)
    assert refused.value.code == "port-taken"


def test_it_runs_what_is_to_be_done_before_it_ends_and_lets_the_port_go():
    async def run():
        server, done = made_server(), []

        async def closing():
            done.append("closed")

        await asyncio.wait_for(server.run(lambda _: server.stop(), closing), 60)
        return server.trame.port, done

    port, done = asyncio.run(run())
    assert done == ["closed"]
    with socket.socket() as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        trial.bind(("127.0.0.1", port))


def test_a_file_of_the_case_that_is_gone_is_said(tmp_path):
    async def run():
        server, answers = made_server(), []
        server.files["/report"] = lambda: tmp_path / "report.html"

        async def asking(link):
            async with aiohttp.ClientSession() as client:
                for content in (None, "<p>report</p>"):
                    if content:
                        (tmp_path / "report.html").write_text(content)
                    answers.append(await status(client, link.replace("/?", "/report?")))
            server.stop()

        tasks = []
        await asyncio.wait_for(server.run(lambda link: tasks.append(asyncio.ensure_future(asking(link)))), 60)
        await tasks[0]
        return answers

    (missing, _), (found, text) = asyncio.run(run())
    assert missing == 404
    assert (found, text) == (200, "<p>report</p>")
