"""What is done to the set-up: one function a use, each with its permission, its transaction and its history."""
