"""The rail that placed slabs will carry: where it lies, what a train feels, what the fasteners have to mend."""
