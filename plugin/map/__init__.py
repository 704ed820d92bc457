"""What happens on the map: pairing by pointing, typed positions, and the results as layers."""
