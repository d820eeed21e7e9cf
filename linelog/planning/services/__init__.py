"""What changes the plan: one function a use."""
