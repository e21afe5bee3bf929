classdef ClockEstimate < handle
%CLOCKESTIMATE  Box time and host time: arithmetic on round trips.
%   A round trip says: the box read its clock at some moment between two times of the host. So the
%   middle is wrong by at most half the round trip, whatever the link did; two of them a while apart
%   bound the rate in the same way, and all pairs together bound it tightly. Nothing is an average: a
%   slow round trip gives a wide bound, which a narrow one beside it makes irrelevant. A quick one of a
%   second ago is often better than a slow one of just now: of the last ones, beside those that tell of
%   the rate, those are kept than which none is both newer and quicker.
%   Host times are in seconds, box times in microseconds, all of them doubles.
    properties
        wander = 0          % how far the rate may be from its mean, as a fraction
    end
    properties (Constant)
        RATE_UNKNOWN = 0.01 % a ceramic resonator is within 0.8 % from -20 to +80 degrees
        CRYSTAL_WANDER = 10e-6     % of the rate between two crystals from its mean, in ten minutes
        RESONATOR_WANDER = 150e-6  % of that between a ceramic resonator and a crystal
        SLEW = 500e-6       % by which a time service may change the rate of the host's clock
        SAMPLES = 32
        NEWEST = 8          % how many of the last ones are kept beside those that tell of the rate
        KEPT_S = 600
        FIRST_SPACING_S = 0.05
        STEP_S = 1e-6       % box time is whole microseconds
    end
    properties (Access = private)
        samples = zeros(0, 3)   % rows: sent (s), box (us), received (s)
        newest = zeros(0, 3)    % the same, each slower than the one before it
        spacing = 0.05
        low = 0.99          % lowest and highest rate, host time per box time, that all pairs allow
        high = 1.01
    end
    methods
        function estimate = ClockEstimate(board, is_slewed)
            %CLOCKESTIMATE  board: its number in the identity. is_slewed: whether the rate of the
            %   host's clock may be changed while it runs.
            estimate.begin(board, is_slewed);
        end

        function begin(estimate, board, is_slewed)
            %BEGIN  Forgets everything: the box started again, and its time began at 0.
            estimate.wander = estimate.RESONATOR_WANDER;
            if any(board == [1, 3])  % virtual, Pico
                estimate.wander = estimate.CRYSTAL_WANDER;
            end
            estimate.wander = estimate.wander + is_slewed * estimate.SLEW;
            estimate.samples = zeros(0, 3);
            estimate.newest = zeros(0, 3);
            estimate.spacing = estimate.FIRST_SPACING_S;
            estimate.forget_rate();
        end

        function time_s = compared_s(estimate)
            %COMPARED_S  When the clocks were compared last, on the host's; -Inf before.
            time_s = -Inf;
            if ~isempty(estimate.newest)
                time_s = estimate.newest(end, 3);
            end
        end

        function is_worth = tells_more(estimate, sent_s, received_s)
            %TELLS_MORE  Whether a round trip is worth the time that ADD takes.
            is_worth = isempty(estimate.newest) ...
                || received_s - estimate.newest(end, 3) > 0.02 ...
                || received_s - sent_s < estimate.newest(end, 3) - estimate.newest(end, 1);
        end

        function add(estimate, sent_s, box_us, received_s)
            %ADD  Takes a round trip. Times of one box must come in order.
            found = estimate.samples;
            count = size(found, 1);
            if count > 0 && box_us < found(end, 2)
                return  % an answer that was overtaken; the ones that count are in already
            end
            new = [sent_s, box_us, received_s];
            trips = estimate.newest(:, 3) - estimate.newest(:, 1);
            kept = [estimate.newest(trips < received_s - sent_s, :); new];
            estimate.newest = kept(max(1, end - estimate.NEWEST + 1):end, :);
            if count > 1 && received_s - found(end-1, 3) < estimate.spacing
                % Too near to the last but one to tell more of the rate: keep the narrower one.
                if received_s - sent_s <= found(end, 3) - found(end, 1)
                    estimate.samples(end, :) = new;
                end
                return
            end
            is_kept = received_s - found(:, 3) <= estimate.KEPT_S;
            if ~all(is_kept)
                is_kept(end) = true;
                found = found(is_kept, :);
                estimate.find_rate(found);
            end
            estimate.narrow(found, new);
            while estimate.low > estimate.high && ~isempty(found)
                % No one rate fits them all: it changed in the meantime. The newer half decides.
                found = found(floor((size(found, 1) + 1) / 2) + 1:end, :);
                estimate.find_rate(found);
                estimate.narrow(found, new);
            end
            found = [found; new];
            if size(found, 1) > estimate.SAMPLES
                found = found([1:2:end-1, size(found, 1)], :);
                estimate.spacing = min(2 * estimate.spacing, estimate.KEPT_S / 8);
            end
            estimate.samples = found;
        end

        function [time_s, bound_s] = to_host(estimate, box_us)
            %TO_HOST  Host time of a box time; NaN before the clocks were compared.
            [rate, spread] = estimate.rate();
            all_of_them = [estimate.samples; estimate.newest];
            trips = all_of_them(:, 3) - all_of_them(:, 1);
            [bound_s, best] = min([trips / 2 + spread * abs(box_us - all_of_them(:, 2)) * 1e-6; Inf]);
            if isinf(bound_s)
                time_s = NaN;
                return
            end
            best = all_of_them(best, :);
            time_s = (best(1) + best(3)) / 2 + rate * (box_us - best(2)) * 1e-6;
            bound_s = bound_s + estimate.STEP_S;
        end

        function [time_us, bound_us] = to_box(estimate, host_s)
            %TO_BOX  Box time of a host time; NaN before the clocks were compared.
            [rate, spread] = estimate.rate();
            all_of_them = [estimate.samples; estimate.newest];
            trips = all_of_them(:, 3) - all_of_them(:, 1);
            [bound_s, best] = min([trips / 2 + spread * abs(host_s - all_of_them(:, 1)); Inf]);
            if isinf(bound_s)
                time_us = NaN;
                bound_us = Inf;
                return
            end
            % Half the round trip more, because the distance was taken from its beginning.
            slack_s = spread * trips(best) / 2;
            best = all_of_them(best, :);
            time_us = best(2) + (host_s - (best(1) + best(3)) / 2) / rate * 1e6;
            bound_us = (bound_s + slack_s + estimate.STEP_S) / (rate - spread) * 1e6;
        end
    end

    methods (Access = private)
        function [rate, spread] = rate(estimate)
            rate = (estimate.low + estimate.high) / 2;
            spread = (estimate.high - estimate.low) / 2 + estimate.wander;
        end

        function forget_rate(estimate)
            estimate.low = 1 - estimate.RATE_UNKNOWN;
            estimate.high = 1 + estimate.RATE_UNKNOWN;
        end

        function find_rate(estimate, found)
            estimate.forget_rate();
            for k = 2:size(found, 1)
                estimate.narrow(found(1:k-1, :), found(k, :));
            end
        end

        function narrow(estimate, found, later)
            % Narrows the range of the rate by the pairs that a sample makes.
            passed_s = (later(2) - found(:, 2)) * 1e-6;
            found = found(passed_s > 0, :);
            passed_s = passed_s(passed_s > 0);
            lowest = (later(1) - found(:, 3) - estimate.STEP_S) ./ passed_s - estimate.wander;
            highest = (later(3) - found(:, 1) + estimate.STEP_S) ./ passed_s + estimate.wander;
            estimate.low = max([estimate.low; lowest]);
            estimate.high = min([estimate.high; highest]);
        end
    end
end
