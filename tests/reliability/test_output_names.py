"""Names of what is written come from a fixed alphabet and from the program, whatever stands in a DICOM header.

Headers of the planned case hold names in four scripts and a private block (``tests.identity``); what is in them reaches
no name. The parts of a name that a user can choose are numbers and words from lists.
"""

from __future__ import annotations

import re

import pytest
from cotyle.case import folder as names
from cotyle.cli.commands import _view_stem
from cotyle.errors import InputError
from cotyle.image.labels import BONE_LABELS
from cotyle.image.read import read_volume
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.image.dicom_phantom import grid_positions, make_slices, write_slices

ALPHABET = re.compile(r"[A-Za-z0-9][A-Za-z0-9._+-]{0,80}", re.ASCII)
"""What a part of a path inside a case may be; no blanks, no separators, nothing that a shell or a browser obeys."""

HOSTILE = st.text(min_size=1, max_size=16) | st.sampled_from(
    ["../../x", "a/b", "..\\x", "CON", "-rf", "日向", "a b", "~"]
)


def test_every_name_in_a_case_is_the_programs_own(planned_case):
    files = {path.relative_to(planned_case.folder) for path in planned_case.folder.rglob("*") if path.is_file()}
    assert [file for file in files if not all(ALPHABET.fullmatch(part) for part in file.parts)] == []
    at_the_top = {file.name for file in files if len(file.parts) == 1}
    ours = {value for value in vars(names).values() if isinstance(value, str) and re.fullmatch(r"\w+\.\w+", value)}
    assert at_the_top <= ours
    assert {file.parts[0] for file in files if len(file.parts) > 1} == {names.FIGURES, names.XRAY, names.MESH}
    assert {file.stem for file in files if file.parts[0] == names.MESH} <= {*BONE_LABELS.values(), "cup", "cavity"}


@given(
    view=st.sampled_from(["ap_pelvis", "cross_table_lateral"]),
    frame=st.sampled_from(["scanner", "app", "supine", "standing"]),
    film=st.booleans(),
    angle=st.none() | st.floats(allow_nan=False, allow_infinity=False),
)
def test_a_view_is_called_by_its_name_its_frame_and_a_number(view, frame, film, angle):
    assert ALPHABET.fullmatch(f"{_view_stem(view, frame, film, angle)}.png")


@given(texts=st.fixed_dictionaries(dict.fromkeys(("SeriesDescription", "PatientName", "StationName"), HOSTILE)))
@settings(max_examples=15, suppress_health_check=list(HealthCheck))
def test_reading_hands_no_text_of_a_header_on_to_where_names_are_made(texts, tmp_path_factory):
    """Of a header's words only the description leaves the reader; nothing that writes a file ever sees it."""
    slices = make_slices(grid_positions(4, 4.0), size=16)
    for ds in slices:
        for keyword, text in texts.items():
            setattr(ds, keyword, text)
    try:
        folder = write_slices(tmp_path_factory.mktemp("named"), slices)
    except (ValueError, UnicodeError):  # what cannot be written cannot be read
        return
    before = sorted(folder.rglob("*"))
    try:
        _, info = read_volume(folder)
    except InputError:
        return
    assert ALPHABET.fullmatch(info.series_hash)
    assert ALPHABET.fullmatch(info.kind)
    assert sorted(folder.rglob("*")) == before


@pytest.mark.parametrize("bad", ["../x", "a/b", "a b", "日向", "-rf", "", "a\x00"])
def test_the_alphabet_keeps_out_what_is_no_plain_name(bad):
    assert not ALPHABET.fullmatch(bad)
