"""Tests of the audio room."""
