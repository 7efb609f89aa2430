"""Batch side: studies, DICOM intake, steps, statistics, reports. For research only, not for treating a patient."""
