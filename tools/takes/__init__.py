"""Takes: what the lenses did, recorded, recovered, exported and replayed."""
