"""One night: forecast, plan, board, morning, what came of it and what it taught."""
