"""What the start page takes from a hand, without a browser."""

import pytest
from cotyle.errors import InputError

pytest.importorskip("trame_slicer", reason="the viewer's packages are not installed")

from cotyle_platform.scene.stage import require_opengl
from cotyle_platform.web.start.steps import StartSession


@pytest.fixture
def flows():
    """Makes start flows with views off the screen; their sessions answer on the worker's thread."""
    from cotyle_platform.web.areas import Areas
    from cotyle_platform.web.painting import Turns
    from cotyle_platform.web.start.flow import StartFlow
    from trame_server import Server

    try:
        require_opengl()
    except InputError as error:
        pytest.skip(str(error))
    made = []

    def make(**more):
        server = Server(f"start-{len(made)}", vn_constructor=None)
        server.client_type = "vue3"
        turns = Turns()
        flow = StartFlow(
            server, lambda _: None, session=StartSession(), areas=Areas(server, turns), turns=turns, **more
        )
        made.append(flow)
        return flow

    yield make
    for flow in made:
        flow.close()


def test_a_page_open_to_the_network_names_no_path(flows, tmp_path):
    flow = flows(alone=False)
    for act in (("look", str(tmp_path)), ("find", str(tmp_path / "labels.nrrd"))):
        flow.act(*act)
        assert flow.session.busy == ""
        assert "path-from-afar" in flow.server.state.start_failure
    assert flow.session.source is None


def test_on_this_machine_a_path_is_taken_and_what_is_wrong_with_it_told(flows, tmp_path):
    flow = flows()
    flow.act("look", str(tmp_path / "nowhere"))
    assert flow.session.settle(30)
    assert "nowhere" in flow.server.state.start_failure
    assert flow.server.state.start_step == "series"


def test_what_is_told_goes_when_the_next_thing_is_done(flows):
    flow = flows()
    flow.act("find")
    assert "step-order" in flow.server.state.start_failure
    flow.act("tool", "brush")
    assert flow.server.state.start_failure == ""
    assert flow.server.state.start_tool == "brush"


def test_words_that_mean_nothing_are_passed_over(flows):
    flow = flows()
    flow.act("no-such-thing", 1, 2)
    assert flow.server.state.start_failure == ""


def test_the_page_says_that_this_is_no_medical_device(flows):
    assert "not a medical device" in flows().server.state.start_caution
