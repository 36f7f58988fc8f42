"""A second look by people: what waits (`queue`), the sheet (`sheet`), the policy, the decision (`record`, `decide`)."""
