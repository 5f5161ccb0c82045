"""scratch package while rooms move"""
