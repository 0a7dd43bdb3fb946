"""What a person runs: links, bench work, command line."""
