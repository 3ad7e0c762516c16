"""Many nights: the season's outlook, replays of past winters, what to build next."""
