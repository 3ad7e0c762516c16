"""What covers do: lift and its learning, film, heat balance, wind."""
