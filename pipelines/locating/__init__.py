"""Locating: is the velocity setting right for each cable class, which instrument is wrong, how wide must the crew dig?

Tables in: core.locating_readings, core.locating_paths, core.locating_runs, staging.instruments.
Tables out: marts.velocity_by_class, marts.instrument_bias, fitted.corrected_distances and the others of step.py.

Method: an instrument measures time. A displayed distance d at the setting v_set stands for the one-way time
d / (v_set c), and that time is the sum over cable classes of length x slowness, times a time-base error of the
instrument, plus its time-zero error, plus noise that grows with distance. One linear mixed model, fitted by
restricted maximum likelihood, serves every class, instrument and kind of reading at once; a share of the readings
is taken to be grossly wrong (velocity.py). A mean of percent errors would mix offset and velocity.
"""
