"""Maintenance arithmetic: quantities, meters, duty, intervals, due points, kits, fluids and exchange.

Pure: no input or output, no clock, no environment. Every figure that enters is in canonical whole units
(metres, seconds, millilitres, calendar days); the clock is an argument.
"""
