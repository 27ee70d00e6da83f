"""What all commands share: their frame, options, words on the screen and exit codes."""
