import pytest
from cotyle.errors import InputError
from cotyle_platform.web.guard import Caller, Guard, checked_address, new_token
from hypothesis import given
from hypothesis import strategies as st

GUARD = Guard("127.0.0.1", 8123, "t" * 43)
FRIEND = Caller("127.0.0.1:8123", "http://127.0.0.1:8123", None, GUARD.token)


def changed(**what):
    return Caller(**{**vars(FRIEND), **what})


def test_the_own_page_passes_by_link_or_by_cookie():
    assert GUARD.refusal(FRIEND) is None
    assert GUARD.refusal(changed(cookie_token=None, link_token=GUARD.token)) is None
    assert GUARD.refusal(changed(origin=None)) is None  # a page that is opened names no origin (RFC 6454, 7.3)
    assert GUARD.refusal(changed(host="localhost:8123", origin="http://localhost:8123")) is None


@given(st.text(max_size=60).filter(lambda text: text != GUARD.token))
def test_no_other_token_passes(token):
    assert "token" in GUARD.refusal(changed(cookie_token=token))
    assert "token" in GUARD.refusal(changed(cookie_token=None, link_token=token))


@pytest.mark.parametrize("host", ["", "planner.example", "127.0.0.1", "127.0.0.1:8124", "127.0.0.1.example:8123"])
def test_a_name_that_was_made_to_point_here_is_refused(host):
    assert "address" in GUARD.refusal(changed(host=host))


@pytest.mark.parametrize(
    "origin", ["null", "http://planner.example", "https://127.0.0.1:8123", "http://127.0.0.1:8124", "http://127.0.0.1"]
)
def test_a_page_of_another_origin_is_refused(origin):
    assert "page" in GUARD.refusal(changed(origin=origin))


def test_an_opened_address_is_the_only_one_that_is_answered():
    opened = Guard("192.0.2.7", 8123, GUARD.token)
    assert opened.refusal(changed(host="192.0.2.7:8123", origin="http://192.0.2.7:8123")) is None
    assert opened.refusal(FRIEND) is not None
    assert Guard("2001:db8::7", 80, "t").link.startswith("http://[2001:db8::7]:80/")


def test_tokens_are_new_each_time_and_long():
    # at least 128 bits, as OWASP's session management cheat sheet asks; 6 bits a character
    assert len({new_token() for _ in range(50)}) == 50
    assert 6 * len(new_token()) >= 128


def test_this_machine_alone_is_the_usual_address():
    assert checked_address(None) == "127.0.0.1"
    assert checked_address("192.0.2.7") == "192.0.2.7"


@pytest.mark.parametrize("address", ["0.0.0.0", "::", "everywhere", "224.0.0.1", ""])
def test_every_network_at_once_cannot_be_opened(address):
    with pytest.raises(InputError) as refused:
        checked_address(address)
    assert refused.value.code == "address"
