import io
import sys

import numpy as np
import pytest
from cotyle.report import scene_process
from cotyle.report.scene import Camera, Job, Layer, Picture
from cotyle.report.scene_process import SceneProcess
from cotyle.space.mesh import TriangleMesh
from PIL import Image

BOX = np.array([[x, y, z] for x in (-10.0, 10.0) for y in (-5.0, 5.0) for z in (-20.0, 20.0)])


def job():
    sides = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in sides for t in ((a, b, c), (a, c, d))]
    layer = Layer(TriangleMesh(BOX, np.array(triangles)), (0.2, 0.4, 0.9))
    camera = Camera(np.zeros(3), np.array([0.0, -1, 0]), np.array([0.0, 0, 1]), 40.0)
    return Job((Picture((layer,), camera, (200, 160), "box.png", np.zeros((2, 3))),))


def test_a_box_is_drawn_where_the_camera_puts_it():
    with SceneProcess(job()) as process:
        drawn = process.result()
    if drawn.failure:
        pytest.skip(drawn.failure)
    pixels = np.asarray(Image.open(io.BytesIO(drawn.pictures["box.png"])).convert("RGB")).astype(int)
    rows, columns = np.nonzero(pixels.min(axis=2) < 230)
    corners = job().pictures[0].camera.project(BOX, 200, 160)
    assert (columns.min(), columns.max()) == pytest.approx((corners[:, 0].min(), corners[:, 0].max()), abs=1.5)
    assert (rows.min(), rows.max()) == pytest.approx((corners[:, 1].min(), corners[:, 1].max()), abs=1.5)


def test_a_crash_of_the_renderer_is_a_failure_in_words(monkeypatch):
    crash = (
        "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)" if sys.platform != "win32" else "raise SystemExit(3)"
    )
    real = scene_process.subprocess.Popen
    monkeypatch.setattr(
        scene_process.subprocess, "Popen", lambda _, **more: real([sys.executable, "-c", crash], **more)
    )
    with SceneProcess(job()) as process:
        drawn = process.result()
    assert drawn.pictures == {}
    assert "OpenGL" in drawn.failure


def test_a_renderer_that_hangs_is_stopped(monkeypatch):
    real = scene_process.subprocess.Popen
    monkeypatch.setattr(
        scene_process.subprocess,
        "Popen",
        lambda _, **more: real([sys.executable, "-c", "import time; time.sleep(60)"], **more),
    )
    with SceneProcess(job()) as process:
        drawn = process.result(timeout_s=0.5)
    assert "longer" in drawn.failure
    assert process._process.poll() is not None
