classdef Marker < handle
%MARKER  One code that was handed to the box, and what became of it.
%   Markers come from box.pulse, box.set and box.sequence. They change when their answer is taken
%   in, which the box object does in WAIT, COLLECT and other calls.
    properties (SetAccess = private)
        number = 0          % counts the markers of this connection, from 1
        request = ''        % 'pulse', 'pulse_for', 'set', 'timed' (one with an expiry, or ahead of its
                            % time), 'sequence_start' or 'sequence_start_at' (at a time to come)
        code = 0            % 0 to 255; 0 for a sequence
        width_us = NaN      % width that was asked for; NaN: that of the settings, or none at all
        tag = 0             % tag of its request on the wire, 1 to 255
        sent_s = NaN        % when it was handed to the port, seconds since the box was opened;
                            % NaN: it was not sent
        held_back_s = 0     % how long it had to wait before that for room in the box
        outcome = 'open'    % 'open', 'accepted' (one ahead, which waits in the box for its time),
                            % 'done', 'refused' or 'unconfirmed'
        box_time_us = uint64(0) % box time of its edge, if it is done
        cut_lasted_us = NaN % how long an earlier pulse lasted that it cut; NaN: none
        at_us = NaN         % of a marker ahead: the box time that was asked for; NaN: of others
        ahead_number = 0    % of a marker ahead: its number in the box, once that has accepted it
        edge_s = NaN        % of a marker ahead that is done: its edge, seconds since the box was
                            % opened ...
        edge_bound_s = NaN  % ... and by how much that may be wrong to either side
        delay_us = 0        % how long it waited for the gap, or a marker ahead because it came too
                            % late
        told_delay_us = 0   % the delay that the box itself told of
        no_edge = false     % the lines had its code already: a receiver sees no new marker
        text = ''           % if refused or unconfirmed: why, what it means, what to do
    end
    methods
        function marker = Marker(number, request, code, width_us, tag, sent_s, held_back_s)
            marker.number = number;
            marker.request = request;
            marker.code = code;
            marker.width_us = width_us;
            marker.tag = tag;
            marker.sent_s = sent_s;
            marker.held_back_s = held_back_s;
        end

        function is_pending = is_pending(marker)
            %IS_PENDING  Whether its outcome is still to come.
            is_pending = any(strcmp(marker.outcome, {'open', 'accepted'}));
        end

        function is_start = is_start(marker)
            %IS_START  Whether it is the start of a sequence.
            is_start = strncmp(marker.request, 'sequence_start', 14);
        end

        function ask_for(marker, at_us)
            %ASK_FOR  For the link: it is to go out at that box time.
            marker.at_us = at_us;
        end

        function accept(marker, number)
            %ACCEPT  For the link: the box has accepted it for its time.
            marker.ahead_number = number;
            marker.outcome = 'accepted';
        end

        function place_edge(marker, edge_s, edge_bound_s)
            %PLACE_EDGE  For the link: when its edge was, on the clock of this computer.
            marker.edge_s = edge_s;
            marker.edge_bound_s = edge_bound_s;
        end

        function done(marker, box_time_us)
            %DONE  For the link: the box put it out.
            marker.box_time_us = box_time_us;
            if ~isnan(marker.at_us)  % the box knows of no delay where it came after its time
                marker.delay_us = max(0, double(box_time_us) - marker.at_us);
            end
            marker.outcome = 'done';
        end

        function note(marker, lasted_us, delay_us, notes)
            %NOTE  For the link: what else the box says of it (PROTOCOL.md, 4.2, done noted).
            if lasted_us < 2^32 - 1
                marker.cut_lasted_us = lasted_us;
            end
            marker.delay_us = delay_us;
            marker.told_delay_us = delay_us;
            marker.no_edge = mod(notes, 2) == 1;
        end

        function fail(marker, outcome, text)
            %FAIL  For the link: 'refused' or 'unconfirmed'.
            marker.text = text;
            marker.outcome = outcome;
        end

        function words = describe(marker)
            %DESCRIBE  For instance 'marker 12 (code 42)'.
            if marker.is_start()
                words = sprintf('marker %d (start of a sequence)', marker.number);
            else
                words = sprintf('marker %d (code %d)', marker.number, marker.code);
            end
        end
    end
end
