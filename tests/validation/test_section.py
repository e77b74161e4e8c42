"""The README's accuracy section, from made-up results."""

import statistics

from qca.validation.document import Origin
from qca.validation.readme import accuracy_markdown
from qca.validation.run import Results, Trait
from qca.validation.value import Value


def test_the_scale_stands_apart_for_walls_as_dense_as_assumed():
    walls = (0.82, 0.97, 1.0, 1.05, 1.18)
    errors = (1.9, 0.4, -0.3, 0.8, -2.2)
    values = tuple(
        Value(f"f{k}", "joint fit", "scale", "scale_percent", 100.0, 100.0 + error, 1.5)
        for k, error in enumerate(errors)
    )
    traits = tuple(
        Trait(f"f{k}", "", level=False, numbers={"wall_ratio": wall}, places={}) for k, wall in enumerate(walls)
    )
    text = accuracy_markdown(Results(values, traits, (), ()), Origin("qca validate", 1, "frames"))
    every, dense = (line.split("|") for line in text.splitlines() if line.startswith("| scale, %"))
    assert every[3].strip() == f"{statistics.stdev(errors):.2f}"
    assert dense[3].strip() == f"{statistics.stdev(errors[1:4]):.2f}"
    assert dense[2].strip() == f"{statistics.mean(errors[1:4]):+.2f}"


def test_frames_without_known_walls_have_no_such_line():
    values = tuple(Value(f"f{k}", "joint fit", "scale", "scale_percent", 100.0, 101.0 + k, 1.5) for k in range(3))
    traits = tuple(Trait(f"f{k}", "", level=False, numbers={}, places={}) for k in range(3))
    text = accuracy_markdown(Results(values, traits, (), ()), Origin("qca validate", 1, "frames"))
    assert sum(line.startswith("| scale, %") for line in text.splitlines()) == 1
