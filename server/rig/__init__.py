"""What runs beside a session: frame loop, panel, recorder, replay, uplink of a second rig, doctor."""
