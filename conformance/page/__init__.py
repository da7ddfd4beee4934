"""A live page of one bus: plan, jobs, faults, health and messages in a browser, and orders through a `Desk`."""
