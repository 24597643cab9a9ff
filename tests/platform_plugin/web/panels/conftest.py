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
def viewed_folder(planned_case, tmp_path_factory):
    folder = tmp_path_factory.mktemp("viewed") / "case"
    shutil.copytree(planned_case.folder, folder)
    return folder


@pytest.fixture
def desk(viewed_folder):
    from cotyle_platform.session import PlanningSession
    from trame_server import Server

    session = PlanningSession.open(viewed_folder)
    server = Server("panels", vn_constructor=None)
    server.client_type = "vue3"
    server.state.ready()
    yield Desk(session, server)
    session.close()
