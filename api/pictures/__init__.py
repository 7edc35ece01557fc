"""Pictures of answers as SVG, drawn from plain figures."""
