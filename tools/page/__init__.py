"""The live bench page in the browser."""
