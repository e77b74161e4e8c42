"""The desk as a napari plugin: a lazy reader, a dock widget, the shipped frames. The manifest is napari.yaml."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from qtpy.QtWidgets import QVBoxLayout, QWidget

from qca.errors import QcaError
from qca.frames.source import FrameSource
from ui.desk.caution import CautionLabel
from ui.desk.desk import Desk
from ui.desk.desk_widget import DeskWidget, StripView
from ui.desk.inks import LOOKS
from ui.desk.keys import key_table
from ui.desk.launch import state_folder
from ui.desk.lazy_frames import LazyFrames
from ui.desk.pieces import button, row
from ui.desk.prompts import Prompts
from ui.desk.theme import style_sheet

if TYPE_CHECKING:
    from napari.viewer import Viewer

LayerData = tuple[Any, dict[str, Any], str]

_FILE = "qca_file"
"""Key in a layer's metadata that holds the path of its file."""


def frame_reader(path: str | Sequence[str]) -> Callable[[str | Sequence[str]], list[LayerData]] | None:
    """Offer a reader for a file of frames; None when it is none of ours.

    Parameters
    ----------
    path : str or sequence of str
        What napari is asked to open.
    """
    paths = [path] if isinstance(path, str) else list(path)
    try:
        for one in paths:
            FrameSource(one)
    except QcaError:
        return None
    return _read


def _read(path: str | Sequence[str]) -> list[LayerData]:
    paths = [path] if isinstance(path, str) else list(path)
    return [_layer(Path(one)) for one in paths]


def _layer(path: Path) -> LayerData:
    from napari.utils.notifications import show_error

    frames = LazyFrames(FrameSource(path), show_error)
    data = frames if len(frames) > 1 else frames.frame(0)
    aspect = frames.source.record.pixel_aspect
    scale = (1.0, aspect, 1.0) if len(frames) > 1 else (aspect, 1.0)
    low, high = frames.source.record.grey_range
    first = frames.frame(0)
    window = (float(first.min()), float(max(first.max(), first.min() + 1)))
    looks = {
        "name": path.stem,
        "colormap": "gray",
        "scale": scale,
        "rgb": False,
        "multiscale": False,
        "contrast_limits": (max(window[0], low), min(window[1], high)),
        "metadata": {_FILE: str(path)},
    }
    return data, looks, "image"


def sample_run() -> list[LayerData]:
    """Return the shipped run."""
    return _sample("filling_run")


def sample_bifurcation() -> list[LayerData]:
    """Return the shipped still."""
    return _sample("bifurcation")


def _sample(name: str) -> list[LayerData]:
    from ui.cli.samples import sample

    return [_layer(sample(name)[0])]


class DeskDock(QWidget):
    """The desk inside a napari that somebody uses for other things too.

    Nothing of the viewer is hidden or rebound; single keys work while the canvas has the keyboard.

    Parameters
    ----------
    napari_viewer : napari.Viewer
        The viewer.
    home : Path or None
        Folder of the autosave; by default the system's place for such files.
    """

    def __init__(self, napari_viewer: Viewer, home: Path | None = None) -> None:
        super().__init__()
        folder = home if home is not None else state_folder() / "autosave"
        look = LOOKS["light" if napari_viewer.theme in ("light", "qca-light") else "dark"]
        self.viewer = napari_viewer
        self.desk = Desk(napari_viewer, home=folder, prompts=Prompts(lambda: self), look=look)
        self.strip = StripView(self.desk)
        self.body = DeskWidget(self.desk, caution=False)
        self._selected = button("Measure the selected layer's file", self.open_selected)
        head = row(self._selected, 1)
        caution = CautionLabel()
        for part in (head, caution):
            part.setStyleSheet(style_sheet(look))
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        for part in (head, self.body, self.strip.strip, caution):
            layout.addWidget(part, 1 if part is self.body else 0)
        self.desk.views += [self.body, self.strip]
        self._bind_keys()
        self.destroyed.connect(self.desk.close)
        self.desk.refresh()

    def open_selected(self) -> None:
        """Open the file behind the selected layer at the desk."""
        layer = self.viewer.layers.selection.active
        path = None if layer is None else layer.metadata.get(_FILE)
        if path is None:
            self.desk.say("Select a layer that was read with this plugin, or open a file here.")
            return
        self.desk.open([Path(path)])

    def _bind_keys(self) -> None:
        for key in key_table(self.desk):
            for text in key.keys:
                if len(text) == 1 or text == "Return":
                    name = "Enter" if text == "Return" else text
                    self.viewer.bind_key(name, partial(_on_key, key.action), overwrite=True)


def _on_key(action: Callable[[], object], viewer: Viewer) -> None:
    del viewer
    action()
