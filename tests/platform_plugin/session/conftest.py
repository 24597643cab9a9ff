import pytest
from cotyle_platform.session import PlanningSession


class Heard:
    """What a session announced, in order."""

    def __init__(self, session):
        self.all = []
        session.subscribe(lambda kind, revision: self.all.append((kind, revision)))

    def kinds(self):
        return [kind for kind, _ in self.all]


@pytest.fixture
def session(own_case):
    opened = PlanningSession.open(own_case)
    yield opened
    opened.close()


@pytest.fixture
def heard(session):
    return Heard(session)
