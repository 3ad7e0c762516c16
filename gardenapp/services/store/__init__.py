"""The shed: things, materials and covers, what happened to each, lending, stocktake, reuse."""
