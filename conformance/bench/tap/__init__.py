"""The tap between node and broker: a TCP relay that reads every packet both ways."""
