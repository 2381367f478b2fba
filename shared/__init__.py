"""What every part of loopwear stands on: the dictionary, settings, units, errors and the store."""
