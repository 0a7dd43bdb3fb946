"""The story of `ringlet demo`: a simulated three-axis rig, over a serial port and over a CAN bus, in seconds."""
