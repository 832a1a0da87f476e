"""The virtual dial: a dial that is known down to its faults, and what its sensors read.

It stands in for the real one. Its light is that of rays through the true body
(`dialbench.rays`), on a row of rays of its own; it knows nothing of the predictor and of no
closed form, and tests hold the rays against a march through the body, point by point.
"""
