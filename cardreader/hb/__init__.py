"""From a blot's colour to the distribution of haemoglobin."""
