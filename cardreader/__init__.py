"""Screening aid that reads haemoglobin from a photo of a blood blot beside a printed card."""

__version__ = "0.17.0"
