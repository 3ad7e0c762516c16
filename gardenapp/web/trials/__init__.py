"""Pages of trials and of loggers that send by themselves."""
