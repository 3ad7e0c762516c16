"""Pages of how members are told, and the feeds for machines."""
