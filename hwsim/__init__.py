"""Motors that do not exist yet: ramp generator, plant, firmware behaviour, bus. Time is passed in."""
