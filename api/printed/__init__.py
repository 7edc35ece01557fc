"""Documents for paper: HTML with a style for print, put together from answers; nothing is loaded from outside."""
