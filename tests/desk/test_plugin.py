"""The desk inside a napari that somebody uses for other things too: manifest, reader, samples, dock."""

import gc
from pathlib import Path

import numpy as np
import pytest

from qca.frames.source import FrameSource

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
RUN, STILL = SAMPLES / "filling_run.dcm", SAMPLES / "bifurcation.dcm"
MANIFEST = Path(__file__).parent.parent.parent / "ui" / "desk" / "napari.yaml"


def test_the_manifest_is_valid_and_all_it_names_is_there():
    """npe2 is what napari itself reads manifests with."""
    from npe2 import PluginManifest

    manifest = PluginManifest.from_file(MANIFEST)
    assert manifest.name == "qca"
    manifest.validate_imports()
    assert {widget.display_name for widget in manifest.contributions.widgets} == {"Measure a bifurcation"}
    assert len(manifest.contributions.sample_data) == 2


def test_the_reader_takes_our_files_lazily_and_no_others(tmp_path):
    from ui.desk.plugin import frame_reader

    read = frame_reader(str(RUN))
    ((data, looks, kind),) = read(str(RUN))
    assert kind == "image"
    assert data.shape == (12, 512, 512)
    np.testing.assert_array_equal(data[3], FrameSource(RUN).pixels(3))
    assert looks["metadata"] == {"qca_file": str(RUN)}
    assert frame_reader([str(STILL), str(RUN)]) is not None
    (tmp_path / "x.dcm").write_bytes(b"no")
    assert frame_reader(str(tmp_path / "x.dcm")) is None


def test_the_shipped_frames_are_sample_data():
    from ui.desk.plugin import sample_bifurcation, sample_run

    for sample in (sample_run, sample_bifurcation):
        ((data, _, kind),) = sample()
        assert kind == "image"
        assert data.ndim in (2, 3)


@pytest.fixture
def dock(window_of_all, tmp_path):
    from napari.viewer import Viewer

    from ui.desk.plugin import DeskDock

    viewer = Viewer(show=True, show_welcome_screen=False)
    made = DeskDock(viewer, home=tmp_path / "autosave")
    viewer.window.add_dock_widget(made, name="Measure a bifurcation")
    yield viewer, made
    made.desk.close()
    viewer.close()
    gc.collect()


def test_the_dock_measures_in_a_viewer_with_other_layers(dock, still_reading):
    from qtpy.QtWidgets import QApplication

    from qca import CAUTION
    from qca.settings import DEFAULT_SETTINGS
    from ui.desk.caution import CautionLabel
    from ui.desk.measuring import Measured
    from ui.desk.plugin import frame_reader
    from ui.desk.work import work_of

    viewer, made = dock
    picks, reading, text = still_reading
    other = viewer.add_image(np.eye(30), name="mine")
    made.open_selected()
    assert "Select a layer" in made.desk.notice.text
    ((data, looks, _),) = frame_reader(str(STILL))(str(STILL))
    viewer.layers.selection.active = viewer.add_image(data, **looks)
    made.desk.measuring._known[(str(STILL), picks, DEFAULT_SETTINGS)] = Measured(reading, text)
    made.open_selected()
    made.desk.change(work_of(picks), "picks")
    QApplication.processEvents()
    assert made.desk.measuring.fresh
    assert other in viewer.layers
    assert made.findChild(CautionLabel).text() == CAUTION
    assert len(viewer.layers["lines"].data) > 100
    assert viewer.window._qt_viewer.dockLayerList.isVisible()  # nothing of napari is hidden
    key = next(bound for bound in viewer.keymap if str(bound) == "H")
    viewer.keymap[key](viewer)
    assert len(viewer.layers["lines"].data) == 0
