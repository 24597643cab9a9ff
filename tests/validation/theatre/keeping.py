"""A registration that keeps what it found on the disk, so that a long run can be broken off and gone on with."""

from __future__ import annotations

import hashlib
import pickle
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from cotyle.files import write_bytes_atomically
from cotyle.space.arrays import Array
from cotyle.xray.carm import CArm

from tests.validation.theatre.judging import NotDoneError, Registration
from tests.validation.theatre.patients import Patient
from tests.validation.theatre.picture import TheatrePicture
from tests.validation.theatre.pose_errors import Found


@dataclass(frozen=True)
class Keeping:
    """Asks ``registration`` only for what the folder does not hold; a result goes by its pictures, scan and start.

    only_kept: don't ask at all; what the folder does not hold is a :class:`NotDoneError`.
    """

    registration: Registration
    folder: Path
    only_kept: bool = False

    def one_view(self, picture: TheatrePicture, patient: Patient, start: CArm) -> Found:
        """Return what was found in one picture."""
        return self._kept([picture.name], patient, [start], lambda: self.registration.one_view(picture, patient, start))

    def two_views(
        self, first: TheatrePicture, second: TheatrePicture, motion: Array, patient: Patient, start: CArm
    ) -> Found:
        """Return what was found in a pair."""
        return self._kept(
            [first.name, second.name],
            patient,
            [start, motion],
            lambda: self.registration.two_views(first, second, motion, patient, start),
        )

    def _kept(self, names: list[str], patient: Patient, starts: list[CArm | Array], find: Callable[[], Found]) -> Found:
        numbers = [each.projection_matrix if isinstance(each, CArm) else each for each in starts]
        digest = hashlib.sha256(b"".join(each.tobytes() for each in numbers)).hexdigest()[:12]
        path = self.folder / f"{'+'.join(names)}-on-{patient.name}-{digest}.pickle"
        if not path.is_file():
            if self.only_kept:
                raise NotDoneError(path.name)
            write_bytes_atomically(path, pickle.dumps(find(), protocol=5))
        found = pickle.loads(path.read_bytes())  # a file that we wrote ourselves
        if not isinstance(found, Found):
            raise TypeError(f"{path.name} holds no result")
        return found
