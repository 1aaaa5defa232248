"""Pure calculations: numbers and dataclasses in, dataclasses out. One capability, one file."""
