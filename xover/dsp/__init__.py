"""Signal processing on arrays: filters, responses, smoothing, interpolation, minimum phase.

Arrays in, arrays out. Opens no files, prints nothing, knows nothing of rooms or loudspeakers.
Ranges were checked at the edge; what cannot be evaluated here raises `ValueError`.
"""
