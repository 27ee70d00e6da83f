"""Physics renderer with known truth: spectra of blood, ink and light to a phone's JPEG.

The reader never imports this package; it serves samples, tests, benchmarks
and the default calibration. Everything it makes is synthetic.
"""
