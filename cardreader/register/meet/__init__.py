"""Two registers that hand over to each other over a network, after a code was typed at one."""
