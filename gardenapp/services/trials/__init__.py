"""Two-logger trials of covers, and loggers that send by themselves."""
