"""The garden and its people: settings, plots, what grows there, members and how they are let in."""
