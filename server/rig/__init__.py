"""What runs alongside a session: frame loop, panel, recorder, replay, uplink of a second rig, doctor."""
