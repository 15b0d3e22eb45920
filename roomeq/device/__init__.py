"""What the device offers: bands, filters, level knob; profiles of devices."""
