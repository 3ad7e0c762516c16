"""Pages of the season's outlook and of replayed winters."""
