"""A session and a server that panels are made on, without a page."""

from dataclasses import dataclass

import pytest


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


@pytest.fixture
def desk(viewed_case):
    from cotyle_platform.session import PlanningSession
    from trame_server import Server

    session = PlanningSession.open(viewed_case)
    server = Server("panels", vn_constructor=None)
    server.client_type = "vue3"
    server.state.ready()
    yield Desk(session, server)
    session.close()


@pytest.fixture
def real(desk):
    from cotyle_platform.web.panels.real_picture import RealPicture

    return RealPicture(desk.server, desk.session)
