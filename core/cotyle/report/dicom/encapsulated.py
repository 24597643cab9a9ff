"""The report as Encapsulated PDF and surfaces as Encapsulated STL (DICOM PS3.3 A.45.1 and A.85)."""

from __future__ import annotations

from pydicom.dataset import Dataset
from pydicom.uid import EncapsulatedPDFStorage, EncapsulatedSTLStorage

from cotyle.report.dicom.codes import MM, PLANNING_INTENT
from cotyle.report.dicom.concepts import concept
from cotyle.report.dicom.source import Source
from cotyle.report.dicom.study import Series, instance_references, new_dataset, placed, series_reference


def pdf_object(content: bytes, source: Source, shows_pictures: bool) -> Dataset:
    """Return the report's PDF as an object of the study.

    ``shows_pictures``: whether real X-ray pictures are in it. Nobody can promise that no text is burnt into those, and
    the standard wants yes or no.
    """
    document = new_dataset(EncapsulatedPDFStorage)
    document.Modality, document.ConversionType = "DOC", "WSD"
    _encapsulate(document, content, "Plan of the acetabular cup (research software)", "application/pdf", source)
    document.BurnedInAnnotation = "YES" if shows_pictures else "NO"
    return placed(document, source.study, Series.REPORT, 1)


def stl_object(content: bytes, name: str, number: int, source: Source) -> Dataset:
    """Return a surface, STL in LPS mm, as an object of the study and its frame of reference; ``name`` is its title."""
    model = new_dataset(EncapsulatedSTLStorage)
    model.Modality = "M3D"
    model.FrameOfReferenceUID, model.PositionReferenceIndicator = source.study.frame_of_reference_uid, ""
    model.MeasurementUnitsCodeSequence = [concept(MM)]
    model.ModelModification, model.ModelMirroring = "NO", "NO"
    model.ModelUsageCodeSequence = [concept(PLANNING_INTENT)]
    model.ReferencedSeriesSequence = [series_reference(source.images)]
    model.ContentDescription = "LPS millimetres; research software, not a medical device"
    _encapsulate(model, content, name, "model/stl", source)
    return placed(model, source.study, Series.SURFACES, number)


def _encapsulate(document: Dataset, content: bytes, title: str, kind: str, source: Source) -> None:
    document.DocumentTitle, document.MIMETypeOfEncapsulatedDocument = title, kind
    document.ConceptNameCodeSequence = []
    document.AcquisitionDateTime = ""
    document.BurnedInAnnotation = "NO"
    document.SourceInstanceSequence = instance_references(source.images)
    document.EncapsulatedDocument = content + b"\0" * (len(content) % 2)
    document.EncapsulatedDocumentLength = len(content)
