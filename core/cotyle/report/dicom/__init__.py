"""Results as standard DICOM, for a picture archive."""
