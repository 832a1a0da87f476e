"""Evidence for others: one document that tells a campaign from the question to the inputs."""
