"""Many registers that become one: what each says of a woman, joined so that nothing is lost."""
