"""What has to be so before an order that moves something may be sent."""
