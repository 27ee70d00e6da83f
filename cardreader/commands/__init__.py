"""Commands of the way from card to result; those of the rooms beside it are in their cli.py."""
