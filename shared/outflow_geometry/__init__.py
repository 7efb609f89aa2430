"""Geometry of the left ventricular outflow tract around a catheter-borne mitral valve.

Pure NumPy/SciPy/Shapely on arrays and small frozen dataclasses. All points are in the DICOM patient
frame LPS (x to patient left, y to posterior, z to head), in mm; angles in degrees; areas in mm2.
Nothing here knows of files, studies, tables or workflow engines.

For research only, not for treating a patient.
"""

__version__ = "0.1.0"
