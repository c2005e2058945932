"""Pictures of a night: frames graded and stacked, the composite, the animation, and the recipe of it all."""
