"""What amplifier and driver can take."""
