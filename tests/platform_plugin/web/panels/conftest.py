"""Panels need the page's packages; without them their tests are left out, not failed."""

import shutil
from dataclasses import dataclass

import pytest

pytest.importorskip("trame_vuetify", reason="the viewer's packages are not installed")


@dataclass
class Desk:
    """A session of the planned case and a server that is not started; panels made on it work at once."""

    session: object
    server: object

    @property
    def state(self):
        return self.server.state

    def set(self, **values):
        """Set state keys as the page does."""
        with self.state as state:
            state.update(values)


@pytest.fixture(scope="session")
def opened_case(planned_case, tmp_path_factory):
    from cotyle.report.case_writing import open_case

    folder = tmp_path_factory.mktemp("viewed") / "case"
    shutil.copytree(planned_case.folder, folder)
    return open_case(folder)


@pytest.fixture
def desk(opened_case):
    from cotyle_platform.session import PlanningSession
    from trame_server import Server

    session = PlanningSession(opened_case)
    server = Server("panels", vn_constructor=None)
    server.client_type = "vue3"
    server.state.ready()
    yield Desk(session, server)
    session.close()
