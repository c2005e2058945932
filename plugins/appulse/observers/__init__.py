"""Where and when the camera stood: sites, spacecraft, time scales, the orientation of the Earth."""
