"""Phantom frames as a DICOM X-Ray Angiographic Image (PS3.3 A.14), single or multi-frame.

Exactly the attributes that the IOD's modules ask for, plus the geometry a reader may use for scale. Patient, study and
equipment are invented and say so.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from qca.phantom.grey import Stored
from qca.phantom.recipe import Recipe

if TYPE_CHECKING:
    from pydicom.dataset import Dataset

_IMPLEMENTATION_UID = "2.25.304914860927493021127850471283361240173"
_XA_STORAGE = "1.2.840.10008.5.1.4.1.1.12.1"
_EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
_JPEG_LOSSLESS_SV1 = "1.2.840.10008.1.2.4.70"
_LUT_ENTRIES_MAX = 65535


@dataclass(frozen=True, slots=True)
class XaHeader:
    """What the header of a phantom file says besides its pixels.

    ``header_mm_per_px`` is the scale that the geometry of the header implies in the isocentre's plane; None writes the
    true one. Angles are degrees, primary positive towards the left (LAO), secondary positive cranial. ``r_waves`` are
    one-based frame numbers. ``compressed`` chooses JPEG Lossless, Selection Value 1.
    """

    primary_angle_deg: float = 0.0
    secondary_angle_deg: float = 0.0
    header_mm_per_px: float | None = None
    source_to_detector_mm: float = 1050.0
    source_to_patient_mm: float = 750.0
    frame_time_ms: float = 66.667
    r_waves: tuple[int, ...] = ()
    compressed: bool = False


def xa_bytes(frames: list[Stored], recipe: Recipe, header: XaHeader | None = None) -> bytes:
    """Write frames into a DICOM file.

    Parameters
    ----------
    frames : list of ndarray, each shape (rows, columns)
        Stored grey values.
    recipe : Recipe
        Of the first frame: size, grey mapping, scale; its seed and title make the UIDs, so equal recipes give equal
        files.
    header : XaHeader or None
        Further header values.

    Returns
    -------
    bytes
        A DICOM file with zero preamble.

    Raises
    ------
    ValueError
        For bits that the IOD does not know (PS3.3 C.8.7.1.1.6: 8, 10, 12, 16), and for inverted grey values, which it
        has no way to tell.
    """
    from pydicom.dataset import Dataset, FileMetaDataset
    from pydicom.filewriter import dcmwrite
    from pydicom.uid import UID

    header = header or XaHeader()
    if recipe.grey.bits not in (8, 10, 12, 16):
        msg = f"a DICOM angiogram has 8, 10, 12 or 16 bits, not {recipe.grey.bits!r}"
        raise ValueError(msg)
    if recipe.grey.inverted:
        msg = "a DICOM angiogram cannot say that its grey values are inverted; write a PNG"
        raise ValueError(msg)
    dataset = Dataset()
    _identify(dataset, recipe, frames)
    _describe_acquisition(dataset, recipe, header)
    _describe_pixels(dataset, recipe, len(frames))
    if len(frames) > 1:
        _describe_cine(dataset, len(frames), header)
    _put_pixels(dataset, frames, recipe.grey.bits, compressed=header.compressed)
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = UID(_XA_STORAGE)
    meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    meta.TransferSyntaxUID = UID(_JPEG_LOSSLESS_SV1 if header.compressed else _EXPLICIT_LITTLE)
    meta.ImplementationClassUID = UID(_IMPLEMENTATION_UID)
    meta.ImplementationVersionName = "QCA_PHANTOM"
    dataset.file_meta = meta
    buffer = io.BytesIO()
    dcmwrite(buffer, dataset, enforce_file_format=True)
    return buffer.getvalue()


def _uid(recipe: Recipe, frames: list[Stored], what: str) -> str:
    """Return a UID below 2.25 (PS3.5 B.2) that depends on the content only."""
    import hashlib

    digest = hashlib.sha256(f"{recipe.title}/{recipe.seed}/{what}".encode())
    for frame in frames:
        digest.update(frame.tobytes())
    return f"2.25.{int.from_bytes(digest.digest()[:15], 'big')}"


def _identify(dataset: Dataset, recipe: Recipe, frames: list[Stored]) -> None:
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]
    dataset.SOPClassUID = _XA_STORAGE
    dataset.SOPInstanceUID = _uid(recipe, frames, "instance")
    dataset.StudyDate = dataset.ContentDate = dataset.AcquisitionDate = "20250107"
    dataset.StudyTime = dataset.ContentTime = dataset.AcquisitionTime = "120000"
    dataset.AccessionNumber = ""
    dataset.Modality = "XA"
    dataset.Manufacturer = "synthetic phantom"
    dataset.ReferringPhysicianName = ""
    dataset.PatientName = "Phantom^Synthetic"
    dataset.PatientID = "PHANTOM"
    dataset.PatientBirthDate = ""
    dataset.PatientSex = "O"
    dataset.StudyInstanceUID = _uid(recipe, frames, "study")
    dataset.SeriesInstanceUID = _uid(recipe, frames, "series")
    dataset.StudyID = "1"
    dataset.SeriesNumber = "1"
    dataset.InstanceNumber = "1"
    dataset.PatientOrientation = ""
    dataset.BodyPartExamined = "HEART"
    dataset.BurnedInAnnotation = "NO"
    dataset.LossyImageCompression = "00"


def _describe_acquisition(dataset: Dataset, recipe: Recipe, header: XaHeader) -> None:
    magnification = header.source_to_detector_mm / header.source_to_patient_mm
    pitch = (header.header_mm_per_px or recipe.mm_per_px) * magnification
    dataset.ContrastBolusAgent = ""
    dataset.KVP = "75"
    dataset.RadiationSetting = "GR"
    dataset.XRayTubeCurrent = "600"
    dataset.ExposureTime = "6"
    dataset.FieldOfViewShape = "RECTANGLE"
    dataset.FieldOfViewDimensions = [round(recipe.rows * pitch), round(recipe.columns * pitch)]
    dataset.ImagerPixelSpacing = [f"{pitch:.6f}"] * 2
    dataset.DistanceSourceToDetector = f"{header.source_to_detector_mm:g}"
    dataset.DistanceSourceToPatient = f"{header.source_to_patient_mm:g}"
    dataset.EstimatedRadiographicMagnificationFactor = f"{magnification:.6g}"
    dataset.PositionerMotion = "STATIC"
    dataset.PositionerPrimaryAngle = f"{header.primary_angle_deg:g}"
    dataset.PositionerSecondaryAngle = f"{header.secondary_angle_deg:g}"


def _describe_pixels(dataset: Dataset, recipe: Recipe, count: int) -> None:
    grey = recipe.grey
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.Rows, dataset.Columns = recipe.rows, recipe.columns
    dataset.BitsAllocated = 8 if grey.bits == 8 else 16
    dataset.BitsStored = grey.bits
    dataset.HighBit = grey.bits - 1
    dataset.PixelRepresentation = 0
    relationship = {"linear": "LIN", "log": "LOG"}.get(grey.mapping, "DISP") if grey.edge_amount == 0 else "DISP"
    dataset.PixelIntensityRelationship = relationship
    if relationship == "LOG":
        dataset.ModalityLUTSequence = [_back_to_intensity(recipe)]
    dataset.NumberOfFrames = str(count)
    if count == 1:
        del dataset.NumberOfFrames


def _back_to_intensity(recipe: Recipe) -> Dataset:
    """Modality LUT that leads from logarithmic stored values to intensity (PS3.3 C.8.7.1.1.2, C.11.1)."""
    from pydicom.dataset import Dataset

    grey = recipe.grey
    stored = np.arange(2**grey.bits)
    relative = np.exp((stored / (2**grey.bits - 1) - grey.background_level) / grey.log_span)
    intensity: npt.NDArray[np.float64] = relative / relative[-1] * _LUT_ENTRIES_MAX
    item = Dataset()
    item.LUTDescriptor = [stored.size if stored.size < 65536 else 0, 0, 16]
    item["LUTDescriptor"].VR = "US"
    item.ModalityLUTType = "US"
    item.add_new("LUTData", "OW", np.rint(intensity).astype("<u2").tobytes())
    return item


def _describe_cine(dataset: Dataset, count: int, header: XaHeader) -> None:
    dataset.FrameIncrementPointer = 0x00181063
    dataset.FrameTime = f"{header.frame_time_ms:g}"
    rate = round(1000 / header.frame_time_ms)
    dataset.CineRate = str(rate)
    dataset.RecommendedDisplayFrameRate = str(rate)
    if header.r_waves:
        if not all(1 <= wave <= count for wave in header.r_waves):
            msg = f"r_waves must be frame numbers from 1 to {count}, not {header.r_waves!r}"
            raise ValueError(msg)
        dataset.ScanOptions = "EKG"
        dataset.RWavePointer = list(header.r_waves)


def _put_pixels(dataset: Dataset, frames: list[Stored], bits: int, *, compressed: bool) -> None:
    wide = bits > 8
    if not compressed:
        data = b"".join(frame.astype("<u2" if wide else "u1").tobytes() for frame in frames)
        dataset.PixelData = data + b"\0" * (len(data) % 2)
        dataset["PixelData"].VR = "OW" if wide else "OB"
        return
    from imagecodecs import jpeg8_encode
    from pydicom.encaps import encapsulate

    coded = [
        jpeg8_encode(np.ascontiguousarray(frame), lossless=True, predictor=1, bitspersample=bits) for frame in frames
    ]
    dataset.PixelData = encapsulate([bytes(code) for code in coded])
    dataset["PixelData"].VR = "OB"
    dataset["PixelData"].is_undefined_length = True
