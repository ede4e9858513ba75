"""What modules, strings and arrays do in sun, weather and temperature."""
