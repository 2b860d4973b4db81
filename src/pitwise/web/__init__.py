"""The web face: parse, call one service, render."""
