"""Clocks of several bodies, pure: by how much each must be moved. The solver takes the times as they are then."""
