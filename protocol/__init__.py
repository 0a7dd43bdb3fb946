"""The wire: message schema, framing, tables. No I/O, no clock, no threads."""
