"""Transfer syntaxes and storage classes by their identifiers (DICOM PS3.6, tables A-1)."""

from __future__ import annotations

from typing import NamedTuple

from qca.frames.dicom.elements import EXPLICIT, EXPLICIT_BIG, IMPLICIT, Coding


class TransferSyntax(NamedTuple):
    """How a file is written.

    ``pixels`` is ``"native"``, ``"codestream"`` (the JPEG families: the codestream says which), ``"rle"``,
    ``"deflated frames"`` or ``"raw frames"``. ``lossy`` is True where the syntax stands for lossy compression.
    """

    uid: str
    name: str
    pixels: str
    coding: Coding = EXPLICIT
    deflated: bool = False
    lossy: bool = False


_ROOT = "1.2.840.10008.1.2"
_JPEG = _ROOT + ".4."

TRANSFER_SYNTAXES = {
    syntax.uid: syntax
    for syntax in (
        TransferSyntax(_ROOT, "Implicit VR Little Endian", "native", IMPLICIT),
        TransferSyntax(_ROOT + ".1", "Explicit VR Little Endian", "native"),
        TransferSyntax(_ROOT + ".2", "Explicit VR Big Endian", "native", EXPLICIT_BIG),
        TransferSyntax(_ROOT + ".1.99", "Deflated Explicit VR Little Endian", "native", deflated=True),
        TransferSyntax(_ROOT + ".1.98", "Encapsulated Uncompressed Explicit VR Little Endian", "raw frames"),
        TransferSyntax(_ROOT + ".8.1", "Deflated Image Frame Compression", "deflated frames"),
        TransferSyntax(_ROOT + ".5", "RLE Lossless", "rle"),
        TransferSyntax(_JPEG + "50", "JPEG Baseline (Process 1)", "codestream", lossy=True),
        TransferSyntax(_JPEG + "51", "JPEG Extended (Process 2 and 4)", "codestream", lossy=True),
        TransferSyntax(_JPEG + "57", "JPEG Lossless (Process 14)", "codestream"),
        TransferSyntax(_JPEG + "70", "JPEG Lossless, First-Order Prediction (Process 14, SV 1)", "codestream"),
        TransferSyntax(_JPEG + "80", "JPEG-LS Lossless", "codestream"),
        TransferSyntax(_JPEG + "81", "JPEG-LS Near-Lossless", "codestream", lossy=True),
        TransferSyntax(_JPEG + "90", "JPEG 2000 Lossless Only", "codestream"),
        TransferSyntax(_JPEG + "91", "JPEG 2000", "codestream", lossy=True),
        TransferSyntax(_JPEG + "201", "High-Throughput JPEG 2000 Lossless Only", "codestream"),
        TransferSyntax(_JPEG + "202", "High-Throughput JPEG 2000 with RPCL, Lossless Only", "codestream"),
        TransferSyntax(_JPEG + "203", "High-Throughput JPEG 2000", "codestream", lossy=True),
    )
}

OTHER_SYNTAXES = (
    (_JPEG + "100", "MPEG-2 video"),
    (_JPEG + "101", "MPEG-2 video"),
    (_JPEG + "102", "MPEG-4 video"),
    (_JPEG + "103", "MPEG-4 video"),
    (_JPEG + "104", "MPEG-4 video"),
    (_JPEG + "105", "MPEG-4 video"),
    (_JPEG + "106", "MPEG-4 video"),
    (_JPEG + "107", "HEVC video"),
    (_JPEG + "108", "HEVC video"),
    (_JPEG + "110", "JPEG XL"),
    (_JPEG + "111", "JPEG XL"),
    (_JPEG + "112", "JPEG XL"),
    (_JPEG + "92", "JPEG 2000 Part 2"),
    (_JPEG + "93", "JPEG 2000 Part 2"),
    (_JPEG + "94", "JPIP, pixels kept on a server"),
    (_JPEG + "95", "JPIP, pixels kept on a server"),
    (_JPEG + "204", "JPIP, pixels kept on a server"),
    (_JPEG + "205", "JPIP, pixels kept on a server"),
    (_JPEG + "52", "retired JPEG"),
    *((f"{_JPEG}{number}", "retired JPEG") for number in (*range(53, 57), *range(58, 67))),
    (_ROOT + ".7", "uncompressed video streaming"),
)
"""Known, but no syntax a frame is measured from: named in the refusal."""


def syntax_name(uid: str) -> str:
    """Name a transfer syntax that cannot be read."""
    for known, name in OTHER_SYNTAXES:
        if uid == known or uid.startswith(known + "."):
            return name
    return "unknown to this program"


_STORAGE = "1.2.840.10008.5.1.4.1.1."

XRAY_CLASSES = {
    _STORAGE + "12.1": "X-Ray Angiographic Image",
    _STORAGE + "12.1.1": "Enhanced XA Image",
    _STORAGE + "12.2": "X-Ray Radiofluoroscopic Image",
    _STORAGE + "12.2.1": "Enhanced XRF Image",
    _STORAGE + "12.3": "X-Ray Angiographic Bi-plane Image",
}
"""Storage classes that are measured."""

CAPTURE_CLASSES = {
    _STORAGE + "7": "Secondary Capture Image",
    _STORAGE + "7.2": "Multi-frame Grayscale Byte Secondary Capture Image",
    _STORAGE + "7.3": "Multi-frame Grayscale Word Secondary Capture Image",
}
"""Pictures taken of a screen or converted: measured like a PNG, with a warning."""

OTHER_CLASSES = (
    (_STORAGE + "1.1.1", "digital radiography"),
    (_STORAGE + "1", "computed radiography"),
    (_STORAGE + "2", "CT"),
    (_STORAGE + "3", "ultrasound"),
    (_STORAGE + "4", "MR"),
    (_STORAGE + "6", "ultrasound"),
    (_STORAGE + "7", "secondary capture in colour or single bits"),
    (_STORAGE + "9", "waveform"),
    (_STORAGE + "11", "presentation state"),
    (_STORAGE + "13.1", "reconstructed X-ray volume"),
    (_STORAGE + "14", "intravascular OCT"),
    (_STORAGE + "20", "nuclear medicine"),
    (_STORAGE + "66", "segmentation or registration"),
    (_STORAGE + "77", "visible-light image"),
    (_STORAGE + "88", "structured report"),
    (_STORAGE + "104", "encapsulated document"),
    (_STORAGE + "128", "PET"),
    (_STORAGE + "481", "radiotherapy"),
    ("1.2.840.10008.1.3.10", "DICOMDIR index"),
)
"""What else a DICOM file may hold: named in the refusal."""


def class_name(uid: str) -> str:
    """Name a storage class that is not measured."""
    for known, name in OTHER_CLASSES:
        if uid == known or uid.startswith(known + "."):
            return name
    return "an object of another kind"
