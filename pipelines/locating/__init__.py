"""Locating: is the velocity setting right for each cable class, which instrument is wrong, how wide must the crew dig?

Tables in: core.locating_readings, core.locating_paths, core.locating_runs, staging.instruments.
Tables out: marts.velocity_by_class, marts.instrument_bias, fitted.corrected_distances and the others of step.py.

Method: an instrument measures time. A displayed distance d at the setting v_set stands for the one-way time
d / (v_set c), and that time is the sum over cable classes of length x slowness, times a time-base error of the
instrument, plus its time-zero error, plus noise that grows with distance. One linear mixed model, fitted by
restricted maximum likelihood, serves every class, instrument and kind of reading at once; a share of the readings
is taken to be grossly wrong (velocity.py). A mean of percent errors would mix offset and velocity.

readings.py             which readings enter the fit, as arrays
line.py                 the line a reading lies on: time = offset + scale x sum of length x slowness
noise.py                how the noise of a reading grows with distance, and by how the true length was measured
mixed_model.py          the linear mixed model, solved block by block
instrument_spread.py    how much instruments differ from one another, and which are out of order
velocity.py             the fit: velocity of each class, offset and scale of each instrument
identifiability.py      which instruments and classes can be told apart
instrument_levels.py    how an instrument's scale and offset move in time
as_of.py                the fit as of a day, season and movement taken off
class_and_instrument_tables.py  what the fit says of each class and each instrument, with limits
verdicts.py             in tolerance, out of it, or not enough readings
proposals.py            which setting each instrument should be set to on each class
effects.py              estimates and covariance in the form that corrects a reading
ways.py                 tails and cable in the order that a pulse passes them
placing.py              where along its way a reading ends, and how surely
correction.py           displayed distances of past digs turned into distances along the route
window_basis.py         what windows are made from, and what it says of the reading asked
window.py               where to dig next: corrected distance and window of one reading
window_file.py          windows of many readings at once
forward.py              each past dig foreseen by a fit to the readings before it
coverage.py             how many past digs the windows held, and the quantiles they are made from
drift.py                control charts of an instrument's readings in time
season.py               the season in the readings
resolution.py           what the width of a pulse hides, and how finely a mark is read
register.py             lengths of the register that readings contradict
step.py                 the only reading and writing
"""
