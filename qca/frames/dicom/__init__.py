"""DICOM files of frames."""
