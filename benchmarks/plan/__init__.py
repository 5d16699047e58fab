"""What a plan costs once everything is measured: reading, solving, editing and checking, per frame and in all."""
