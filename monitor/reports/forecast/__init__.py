"""What a study still needs: invitations, when it will be done, and which losses cost most."""
