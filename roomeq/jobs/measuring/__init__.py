"""What a device was found to do: which values can be told, and the profile that states them."""
