"""The flag table: every reason to look twice, in one place. README and report are generated from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class FlagDefinition:
    """One row of the table.

    Parameters
    ----------
    code : str
        What stands in files; never renamed.
    name : str
        Heading.
    short : str
        One line beside a number.
    long : str
        What was seen and why it matters.
    advice : str
        What to do.
    untrusted : bool
        Whether the number must not be used as it stands.
    """

    code: str
    name: str
    short: str
    long: str
    advice: str
    untrusted: bool


_ROWS = (
    FlagDefinition(
        "scale_missing",
        "scale missing",
        "no scale: numbers are in pixels",
        "No catheter, no typed scale and no header scale was given, so nothing is known in millimetres. Guide wires in "
        "the lumen are not looked for either: what tells one is how dark its size makes it.",
        "Pick a catheter and give its size, or choose another source of scale.",
        untrusted=False,
    ),
    FlagDefinition(
        "scale_header",
        "scale from the header",
        "scale taken from the file's header",
        "The header's scale holds for one depth that need not be the vessel's; 35 mm of depth are 5 % of every "
        "diameter.",
        "Calibrate on the catheter where one is visible.",
        untrusted=False,
    ),
    FlagDefinition(
        "scale_unstated_sd",
        "scale without uncertainty",
        "the typed scale has no stated uncertainty",
        "Millimetre uncertainties hold only the measurement's own part; the scale's part is unknown.",
        "Give the scale's standard uncertainty with it.",
        untrusted=False,
    ),
    FlagDefinition(
        "scale_disagrees",
        "scales disagree",
        "catheter and header scale differ beyond their uncertainties",
        "The catheter's width and the file's header give different scales. One of the French size, the picks, the "
        "header or the depth of the catheter is wrong.",
        "Check the catheter's size and points; compare with a known object.",
        untrusted=True,
    ),
    FlagDefinition(
        "catheter_small",
        "thin catheter",
        "catheter under 6 French",
        "The thinner the catheter, the more one pixel of width error weighs on every number.",
        "Use a catheter of 6 French or more where there is one.",
        untrusted=False,
    ),
    FlagDefinition(
        "catheter_short",
        "short shaft",
        "little catheter shaft visible",
        "The width rests on less than 5 catheter diameters of shaft.",
        "Pick a longer straight stretch of shaft.",
        untrusted=False,
    ),
    FlagDefinition(
        "catheter_tapers",
        "shaft not even",
        "the catheter's width changes along the shaft",
        "The measured width changes along the shaft by more than noise explains: a tip, an overlap, or a neighbour.",
        "Pick another stretch of shaft, away from the tip and from vessels.",
        untrusted=True,
    ),
    FlagDefinition(
        "catheter_unclear",
        "catheter unclear",
        "the catheter's outline is not certain",
        "Whether the shaft is filled with contrast cannot be told, it hardly shows, or its contrast and the vessels' "
        "do not go together; its width depends on the answer.",
        "Pick a stretch on plain background, or use another frame.",
        untrusted=True,
    ),
    FlagDefinition(
        "catheter_wire",
        "wire in the catheter",
        "a wire's shade was found in the catheter and taken out",
        "A thin dark line runs along the catheter's lumen, as a guide wire does. Left in, it makes the catheter look "
        "narrower and every length too large, by a tenth and more; it was taken out.",
        "Check on the picture that the traced walls lie on the catheter's edges, or pick a stretch without the wire.",
        untrusted=False,
    ),
    FlagDefinition(
        "catheter_doubtful",
        "something in the catheter",
        "the catheter does not look like an even tube",
        "A line runs along the catheter's lumen that could not be taken out as a wire (two wires, a balloon's shaft, "
        "another catheter, contrast that does not fill it), or the catheter is more blurred than the vessels, as with "
        "a wire on its axis. Its width can be wrong by a tenth and more.",
        "Pick a stretch that holds nothing but contrast, or use another frame.",
        untrusted=True,
    ),
    FlagDefinition(
        "low_contrast",
        "low contrast",
        "the vessel hardly stands out from the noise",
        "Contrast over noise is so low that the edges are uncertain.",
        "Use a frame with better filling.",
        untrusted=False,
    ),
    FlagDefinition(
        "wide_interval",
        "wide interval",
        "the minimal diameter is not known to 0.3 mm",
        "The 95 % interval of the minimal diameter reaches more than 0.3 mm to either side, the scale's error apart: "
        "noise, a faint lumen or a lesion hardly wider than the blur. The number alone says little.",
        "Read the interval; use a frame with more dose, better filling or a larger image of the vessel.",
        untrusted=True,
    ),
    FlagDefinition(
        "unseen",
        "lumen not seen",
        "part of the limb does not stand out from the noise",
        "Along some of its length nothing of the lumen is seen, as in a lesion that is lost in the noise. The path "
        "there, and with it the branching point, the angles and the lesion's limits, may be another than the vessel's.",
        "Lead the path by hand if you can see it, or use a frame with better filling.",
        untrusted=False,
    ),
    FlagDefinition(
        "maybe_occluded",
        "occlusion not excluded",
        "the vessel may be occluded in the lesion",
        "Nothing of the lumen is seen somewhere in the lesion, and the interval of the diameter stenosis reaches 90 %: "
        "an occlusion looks the same. The numbers are what is likely of a lumen that is open.",
        "Judge on the run whether contrast passes there; if none does, do not use MLD and DS.",
        untrusted=True,
    ),
    FlagDefinition(
        "join_unseen",
        "branching not seen",
        "a limb is lost in the noise on its way to the others",
        "Where part of a limb is not seen, nobody can tell where it comes from: the branching point is a guess, and "
        "angles in such frames were wrong by tens of degrees.",
        "Lead the path by hand if you can see it, or use a frame with better filling.",
        untrusted=True,
    ),
    FlagDefinition(
        "overlap",
        "overlap",
        "something crosses or touches the vessel here",
        "Pixels beside or over the limb do not look like one vessel on a smooth background: a crossing vessel, a "
        "wire, a catheter, a rib's or the diaphragm's edge; on the proximal limb of a narrow fork also a daughter that "
        "leaves it earlier than was traced.",
        "Look at the contours; use a view without overlap, or exclude the stretch.",
        untrusted=True,
    ),
    FlagDefinition(
        "edge_beside",
        "edge beside the limb",
        "an edge in the background lies beside the vessel here",
        "The background's course changes on one side of the limb and not on the other, as where a rib's, the "
        "diaphragm's or another organ's edge comes near it. What was taken for a wall there may be that edge.",
        "Look at the contours; use a view in which the edge lies elsewhere, or exclude the stretch.",
        untrusted=True,
    ),
    FlagDefinition(
        "sharp_turn",
        "sharp turn",
        "the traced vessel turns sharply here",
        "The centreline turns by more than 50 degrees within two lumen diameters. Few vessels do; a path that changes "
        "over to a crossing vessel and back does.",
        "Check on the picture that the contours stay on one vessel; lead the path by hand where they do not.",
        untrusted=True,
    ),
    FlagDefinition(
        "overlap_beside",
        "overlap on a neighbour",
        "something crosses another limb close to the branching point",
        "The limbs are fitted together. Where something crosses one of them near the branching point, the paths of the "
        "others, their contrast, the branching point and with it the angles can be wrong too, and nothing else may "
        "show it.",
        "Check the contours around the branching point; use a view without overlap.",
        untrusted=True,
    ),
    FlagDefinition(
        "misfit",
        "model does not fit",
        "the lumen does not look like a round, evenly filled tube",
        "The residuals are larger than noise along part of the limb: a lumen far from circular, streaming "
        "contrast, a wire inside, thrombus, dissection.",
        "Treat diameters there as uncertain; use a second view or intravascular imaging.",
        untrusted=True,
    ),
    FlagDefinition(
        "wire_inside",
        "wire in the lumen",
        "a wire's shade was found in the lumen and taken out",
        "A thin dark line runs along the lumen, as a guide wire does. It is fitted together with the lumen and its "
        "shade taken out; the uncertainties hold what that costs. In a lesion hardly wider than the wire little is "
        "left to tell the lumen from the wire.",
        "Check on the picture that a wire lies there; streaming contrast can look like one.",
        untrusted=False,
    ),
    FlagDefinition(
        "uneven_filling",
        "uneven contrast",
        "the contrast per millimetre changes along the limb",
        "The limb attenuates clearly more or less than the others for its width: incomplete filling or a lumen "
        "that is not round. Small diameters rest on the contrast and may be off.",
        "Use a better filled frame or a second view.",
        untrusted=False,
    ),
    FlagDefinition(
        "lesion_at_edge",
        "lesion at the edge",
        "the lesion reaches the end of the traced part",
        "The narrowing goes on to the outer end of the limb, so its length and the reference are incomplete.",
        "Move the pick further outwards.",
        untrusted=True,
    ),
    FlagDefinition(
        "ostial",
        "ostial lesion",
        "the lesion begins at the limb mouth",
        "The narrowing starts where the limb leaves the confluence; its start is the limb mouth.",
        "None needed; check the limb mouth on the picture.",
        untrusted=False,
    ),
    FlagDefinition(
        "below_resolution",
        "under the resolution",
        "diameter smaller than the blur",
        "The lumen is narrower than the system's blur (full width at half maximum); its diameter rests on "
        "brightness alone.",
        "Read the interval, not the number.",
        untrusted=False,
    ),
    FlagDefinition(
        "saturated",
        "saturated",
        "grey values at the limit of the file's range",
        "Part of the vessel or its surroundings is at the darkest or brightest grey value: its true depth is lost. "
        "What such pixels say is that it lies there or beyond, and the SDs know that it is no more.",
        "Use a frame or an export without clipping where there is one.",
        untrusted=False,
    ),
    FlagDefinition(
        "limb_short",
        "limb too short",
        "too little limb beyond the confluence",
        "Less than 3 diameters of the limb lie between its mouth and its pick, so the reference rests on little, and a "
        "lesion further out is not seen. The SDs know of the first.",
        "Move the pick further outwards.",
        untrusted=False,
    ),
    FlagDefinition(
        "no_healthy_part",
        "no healthy part",
        "no healthy part found in the limb",
        "The limb is narrowed along most of its length, or narrower than the two other limbs let expect; its own "
        "taper understates the disease.",
        "Consider the reference from the diameter law given with the limb.",
        untrusted=True,
    ),
    FlagDefinition(
        "chord_short",
        "short angle chord",
        "an angle chord is shorter than set",
        "A limb ends before the distance at which angles are measured; its end was used instead.",
        "Move the pick further outwards.",
        untrusted=False,
    ),
    FlagDefinition(
        "limbs_out_of_order",
        "limbs out of order",
        "the side limb does not leave between the two others",
        "The angle between proximal or distal limb and side limb is the largest of the three: a limb was traced "
        "along another vessel, or limbs are named the wrong way round.",
        "Check the centrelines and the names of the limbs.",
        untrusted=True,
    ),
    FlagDefinition(
        "limbs_unusual",
        "limb sizes unusual",
        "a daughter is larger than the proximal limb",
        "The proximal limb is the smallest of the three, which is rare: limbs may be named the wrong way round.",
        "Check which pick is which.",
        untrusted=False,
    ),
    FlagDefinition(
        "oblique_pixels",
        "pixels not square",
        "the file's pixels are not square",
        "The frame was resampled to square pixels before measuring.",
        "None needed.",
        untrusted=False,
    ),
    FlagDefinition(
        "provisional",
        "provisional",
        "a rough look while a point is moved, not a measurement",
        "The numbers come from half the pixels and a coarser fit, so that they follow a point that is dragged. The "
        "measurement replaces them as soon as the point rests.",
        "Wait for the measurement.",
        untrusted=True,
    ),
    FlagDefinition(
        "display_curve",
        "display curve",
        "the grey values went through a display curve",
        "The middle grey levels are noisier than both ends, as after a curve that stretches them for viewing. The "
        "noise says what the curve was, and the grey values were straightened by it before measuring; how exactly is "
        "not part of the uncertainties.",
        "Use the frame as it came from the detector where it exists.",
        untrusted=False,
    ),
    FlagDefinition(
        "sharpened",
        "edge enhancement",
        "the frame went through edge enhancement",
        "The noise is weaker at low than at high frequencies, as after an unsharp mask, which makes edges steeper and "
        "puts bright seams beside lumens. The noise says how wide and strong the mask was, and it was undone before "
        "measuring; how exactly is not part of the uncertainties.",
        "Use the frame as it was before the enhancement where it exists.",
        untrusted=False,
    ),
    FlagDefinition(
        "sharpened_cut",
        "edge enhancement, cut",
        "the frame went through edge enhancement that could not be undone",
        "The noise shows an unsharp mask, but a lumen or the catheter was cut at an end of the grey scale, and what "
        "was cut off cannot be had back. The frame was measured as it is; a catheter mostly reads too narrow then, "
        "which makes all lengths too large.",
        "Use the frame as it was before the enhancement.",
        untrusted=True,
    ),
    FlagDefinition(
        "lossy",
        "lossy compression",
        "the frame was compressed with losses",
        "Compression can move edges and smooth small lumens.",
        "Use the original frame where it exists.",
        untrusted=False,
    ),
    FlagDefinition(
        "outside_valid",
        "under the shutter",
        "part of the vessel lies under a shutter or collimator",
        "Pixels outside the exposed region were left out.",
        "Check that the limb is inside the image.",
        untrusted=False,
    ),
    FlagDefinition(
        "edited",
        "edited by hand",
        "edited by hand",
        "A person changed a wall, the limits or the reference of this limb.",
        "None needed; the automatic result can be had by removing the edits.",
        untrusted=False,
    ),
)

FLAGS: Mapping[str, FlagDefinition] = MappingProxyType({row.code: row for row in _ROWS})
"""Flag definitions by code."""
