"""The best use of the covers there are, with proof of how close to best."""
