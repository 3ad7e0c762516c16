"""Many nights: chances by date, replays of past records."""
