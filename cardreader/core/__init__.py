"""What every room may use and that knows no other: refusals, files, shipped data, statistics."""
