"""Where and when there is energy: detections, and receiver artefacts marked as such."""
