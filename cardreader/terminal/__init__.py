"""What all commands share: their frame, options and exit codes."""
