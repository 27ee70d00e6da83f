"""From that distribution to what is done: protocols, people and sentences."""
