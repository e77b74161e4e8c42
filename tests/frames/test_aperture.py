"""Valid region: what shutter and collimator leave free, one pixel inside their edges."""

import numpy as np
import pytest
from skimage.draw import polygon2mask

from qca.frames import open_frame
from tests.frames.files import ENHANCED_XA, dataset, item, items, run, write


def valid(tmp_path, rows=40, columns=60, **attributes):
    frame = open_frame(write(tmp_path / "run.dcm", run(rows=rows, columns=columns), **attributes), 1)
    return frame.valid, frame.warnings


def test_everything_without_a_shutter(tmp_path):
    region, warnings = valid(tmp_path)
    assert region.all()
    assert warnings == ()


@pytest.mark.parametrize("what", ["Shutter", "Collimator"])
def test_rectangle(tmp_path, what):
    """Rows and columns count from 1 at the upper left pixel (PS3.3 C.7.6.11 and C.8.7.3)."""
    region, _ = valid(
        tmp_path,
        **{
            f"{what}Shape": "RECTANGULAR",
            f"{what}LeftVerticalEdge": "5",
            f"{what}RightVerticalEdge": "50",
            f"{what}UpperHorizontalEdge": "-3",
            f"{what}LowerHorizontalEdge": "30",
        },
    )
    expected = np.zeros((40, 60), bool)
    expected[0:29, 5:49] = True  # columns 5..50 from 1 are 4..49 from 0; one pixel off each edge inside the picture
    assert np.array_equal(region, expected)


@pytest.mark.parametrize("aspect", [1.0, 1.25])
def test_circle(tmp_path, aspect):
    region, _ = valid(
        tmp_path,
        ShutterShape="CIRCULAR",
        CenterOfCircularShutter=["18", "31"],
        RadiusOfCircularShutter="12",
        ImagerPixelSpacing=[str(0.2 * aspect), "0.2"],
    )
    row, column = np.mgrid[1:41, 1:61]
    away = np.hypot((row - 18) * aspect, column - 31)
    assert region[17, 30]
    assert not region[away > 12].any()
    assert region[away <= 12 - 1.5 * aspect].all()
    assert abs(region.sum() - np.pi * 12**2 / aspect) < 12 * 2 * np.pi * 1.3


def test_polygon_against_scikit_image(tmp_path):
    corners = [(4, 8), (10, 50), (35, 55), (22, 30), (36, 6)]
    region, _ = valid(
        tmp_path,
        ShutterShape="POLYGONAL",
        VerticesOfThePolygonalShutter=[str(number) for corner in corners for number in corner],
    )
    inside = polygon2mask((42, 62), np.array(corners))[1:41, 1:61]
    deep = inside.copy()
    for shift in ((1, 0), (-1, 0), (0, 1), (0, -1)):
        deep &= np.roll(inside, shift, (0, 1))
    assert (region == deep).mean() > 0.99
    assert not (region & ~inside).any()
    # A corner that points into the picture.
    assert not region[30, 29]
    assert region[15, 29]


def test_shapes_are_laid_over_each_other(tmp_path):
    region, _ = valid(
        tmp_path,
        ShutterShape=["RECTANGULAR", "CIRCULAR"],
        ShutterLeftVerticalEdge="20",
        ShutterRightVerticalEdge="60",
        ShutterUpperHorizontalEdge="1",
        ShutterLowerHorizontalEdge="40",
        CenterOfCircularShutter=["20", "20"],
        RadiusOfCircularShutter="10",
        CollimatorShape="RECTANGULAR",
        CollimatorLeftVerticalEdge="1",
        CollimatorRightVerticalEdge="60",
        CollimatorUpperHorizontalEdge="20",
        CollimatorLowerHorizontalEdge="40",
    )
    rows, columns = np.nonzero(region)
    assert columns.min() == 20
    assert columns.max() == 27  # in row 20 the circle reaches column 28, and its neighbour must be free too
    assert rows.min() == 20
    assert rows.max() <= 28


def test_enhanced_frames_have_their_own(tmp_path):
    frames = run(rows=40, columns=60)
    ds = dataset(frames, sop_class=ENHANCED_XA)

    def per_frame(left):
        edges = item(
            CollimatorShape="RECTANGULAR",
            CollimatorLeftVerticalEdge=str(left),
            CollimatorRightVerticalEdge="60",
            CollimatorUpperHorizontalEdge="1",
            CollimatorLowerHorizontalEdge="40",
        )
        return item(CollimatorShapeSequence=items(edges))

    ds.PerFrameFunctionalGroupsSequence = items(per_frame(10), per_frame(20), per_frame(30))
    ds.SharedFunctionalGroupsSequence = items(item())
    path = write(tmp_path / "run.dcm", frames, ds=ds)
    assert [int(np.nonzero(open_frame(path, k).valid)[1].min()) for k in range(3)] == [10, 20, 30]


@pytest.mark.parametrize(
    ("attributes", "word"),
    [
        ({"ShutterShape": "CIRCULAR", "CenterOfCircularShutter": ["5", "5"], "RadiusOfCircularShutter": "0"}, "usable"),
        (
            {"ShutterShape": "CIRCULAR", "CenterOfCircularShutter": ["900", "900"], "RadiusOfCircularShutter": "9"},
            "free",
        ),
        ({"ShutterShape": "RECTANGULAR", "ShutterLeftVerticalEdge": "5"}, "usable"),
        ({"ShutterShape": "POLYGONAL", "VerticesOfThePolygonalShutter": ["1", "2", "3", "4"]}, "usable"),
        ({"ShutterShape": "BITMAP"}, "usable"),
    ],
)
def test_a_shutter_that_makes_no_sense_is_ignored_with_a_warning(tmp_path, attributes, word):
    region, warnings = valid(tmp_path, **attributes)
    assert region.all()
    assert len(warnings) == 1
    assert word in warnings[0]
    assert "ignored" in warnings[0]
