"""The researcher's bench: from photos with laboratory values to a calibration one may trust.

study -> features -> fit -> conformal -> validation -> container (model, provenance, report).
Needs the ``study`` extra: ``pip install '.[study]'``.
"""
