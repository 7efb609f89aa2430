"""Geometry of the left ventricular outflow tract around a catheter-borne mitral valve.

Pure NumPy/SciPy/Shapely on arrays and small frozen dataclasses. All points are in the DICOM patient
frame LPS (x to patient left, y to posterior, z to head), in mm; angles in degrees; areas in mm2.
Nothing here knows of files, studies, tables or workflow engines.

A reading is measured from its landmarks, with an image also the outflow tract:

>>> import numpy as np
>>> from outflow_geometry.base.inputs import ReadingInput
>>> from outflow_geometry.measures.reading import measure_reading
>>> t = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
>>> ring = np.stack([16.0 * np.cos(t), 14.0 * np.sin(t), np.zeros(12)], axis=1)
>>> landmarks = {"mitral_ring": ring, "lv_apex": np.array([[0.0, 0.0, -80.0]])}
>>> result = measure_reading(ReadingInput(landmarks, volume=None))
>>> area = next(v for v in result.values if (v.measure, v.variant) == ("mitral_area", "spline"))
>>> round(area.value), area.unit, area.status
(704, 'mm2', 'ok')
>>> next(v.status for v in result.values if (v.measure, v.variant) == ("mitral_area", "d_shape"))
'missing_trigone_left'

(The ellipse with semi-axes 16 and 14 mm has 703.7 mm2.) For research only, not for treating a patient.
"""

__version__ = "0.1.0"
