"""What people do with counts: one function a use, each inside one transaction with its history."""
