"""Pages of one night: board, forecast, morning, the nights after."""
