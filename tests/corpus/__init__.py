"""Files as devices, spreadsheets and services make them, all from one truth."""
