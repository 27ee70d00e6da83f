"""The printed card: where everything lies, what a lot's colours are, how it is drawn."""
