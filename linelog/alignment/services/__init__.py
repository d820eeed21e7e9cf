"""What people do to the log: one function a use, each inside one transaction with its history."""
