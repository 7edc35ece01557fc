"""Routes by noun: parse, call one service, return."""
