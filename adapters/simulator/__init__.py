"""A simulated ward: lungs, gases and devices that speak the wire, with the truth beside."""
