"""Predicted against measured: what a take says about its stands, inputs and polarities, and where its mics stand."""
