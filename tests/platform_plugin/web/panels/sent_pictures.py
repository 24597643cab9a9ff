"""Pictures as the page sends them, and what is answered about them."""

import io

from PIL import Image

from tests.xray.pictures.makers import body, dicom, shown

NAME = "Sample^Anna-1234.png"
ANSWERS = {
    "polarity": "bone_dark",
    "patient_orientation": "L/F",
    "pixel_pitch_mm": "0,4",
    "tube": "under_table",
    "source_detector_mm": "1000",
    "source_isocenter_mm": "700",
}


def png(pixels=None):
    buffer = io.BytesIO()
    Image.fromarray(shown(body()) if pixels is None else pixels).save(buffer, format="png")
    return buffer.getvalue()


def dcm(**fields):
    buffer = io.BytesIO()
    dicom(shown(body()), **fields).save_as(buffer, enforce_file_format=True)
    return buffer.getvalue()


def send(desk, content, name=NAME, key="real_picture_file"):
    desk.set(**{key: {"name": name, "size": len(content), "type": "", "content": content}})


def answer_all(real, **more):
    for question, value in (ANSWERS | more).items():
        real.answer(question, value)
