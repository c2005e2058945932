"""What else moves in the frames of one field: found without a prediction, and measured."""
