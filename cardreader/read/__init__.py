"""From a photo's bytes to the colour of its blot, a module a stage."""
