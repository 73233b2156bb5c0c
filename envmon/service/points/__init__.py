"""What talks on the broker, and one step to claim it into a bay."""
